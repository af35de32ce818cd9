-- SPDX-License-Identifier: MIT
-- Open the HX-230's stack: its frame is tin-lead, which melts at 183 C, so everything is hotter and
-- the time at heat is kept short. At 202 C five of 60 boards drawn within the tolerances were not surely molten in
-- the three minutes of the wait, at 203 C none.
return recipe {
  api     = 1, version = 1,
  title   = "Split the two-board stack of the HX-230",
  board   = "hx230",
  insert  = "frame-60x40",
  params  = { melt = { "205 C", min = "203 C", max = "208 C", help = "plate temperature for the melt" } },
  before  = { "battery" },
  ceiling = { plate = "220 C", ramp = "2.5 C/s", heat_time = "15 min" },
  steps = function(p)
    stage "Preheat"
    board.place { "Shield lids off? Lay the board in the insert, arms down.", timeout = "2 min" }
    plate.ramp { to = "130 C", rate = "1.5 C/s", timeout = "3 min" }
    plate.soak { time = "60 s" }
    stage "Melt"
    plate.ramp { to = p.melt, timeout = "3 min" }
    beep "hot"
    wait_for_melt { joint = "frame", steady = "20 s", timeout = "3 min" }
    board.lift { "Nudge: it moves and springs back? Lift the top board straight up.", timeout = "1 min" }
    stage "Cool"
    plate.off()
    cool { plate = "45 C", fan = "100 %", timeout = "20 min" }
  end,
}
