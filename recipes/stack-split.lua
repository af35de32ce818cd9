-- SPDX-License-Identifier: MIT
-- Open a two-board stack: melt the frame all round, lift the upper board once, straight up.
return recipe {
  api     = 1, version = 1,
  title   = "Split the two-board stack",
  board   = "hx210",
  insert  = "frame-60x40",
  params  = { melt = { "172 C", min = "165 C", max = "180 C", help = "plate temperature for the melt" } },
  before  = { "battery" },
  ceiling = { plate = "190 C", ramp = "2.5 C/s", heat_time = "15 min" },
  park    = "100 C",
  steps = function(p)
    stage "Preheat"
    board.place { "Shield lids off? Lay the board in the insert, arms down.", timeout = "2 min" }
    plate.ramp { to = "120 C", rate = "1.5 C/s", timeout = "3 min" }
    plate.soak { time = "40 s" }
    stage "Melt"
    plate.ramp { to = p.melt, timeout = "2 min" }
    beep "hot"
    wait_for_melt { joint = "frame", steady = "8 s", timeout = "4 min" }
    board.lift { "Nudge: it moves and springs back? Lift the top board straight up.", timeout = "1 min" }
    stage "Cool"
    plate.off()
    cool { plate = "45 C", fan = "100 %", timeout = "20 min" }
  end,
}
