-- SPDX-License-Identifier: MIT
-- Take one part off: the plate warms the whole board from below, hot air does the rest from above.
return recipe {
  api     = 1, version = 1,
  title   = "Take the power controller off",
  board   = "hx230-upper",
  insert  = "flat-60x40",
  params  = {
    below = { "195 C", min = "150 C", max = "200 C", help = "plate temperature: the board gets some 20 K less" },
    air   = { "24 W", min = "10 W", max = "35 W", help = "what the hot air brings into the part" },
  },
  before  = { "battery" },
  ceiling = { plate = "205 C", ramp = "2 C/s", heat_time = "15 min" },
  park    = "100 C",
  steps = function(p)
    stage "Preheat"
    board.place { "Neighbours shielded? Lay the board in the insert, flux on the part's edges.", timeout = "3 min" }
    plate.ramp { to = "110 C", rate = "1.5 C/s", timeout = "3 min" }
    plate.soak { time = "30 s" }
    plate.ramp { to = p.below, timeout = "3 min" }
    plate.soak { time = "60 s" }

    stage "Hot air"
    hand_heat { "Hot air on U2, 5 mm or more away, in slow circles.", part = "U2", watts = p.air, time = "2 min", timeout = "1 min" }
    wait_for_melt { joint = "pmic", steady = "10 s", timeout = "90 s" }
    board.lift { "Nudge: U2 swims and springs back? Lift it straight up with the vacuum pen.", part = "U2", timeout = "30 s" }

    stage "Cool"
    plate.off()
    cool { plate = "45 C", fan = "60 %", timeout = "20 min" }
  end,
}
