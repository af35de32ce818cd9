-- SPDX-License-Identifier: MIT
-- Parked for a while in the middle of its soak.
return recipe {
  api     = 1,
  title   = "Quick hold with a place to park",
  board   = "quick",
  insert  = "flat-30x20",
  ceiling = { plate = "80 C", ramp = "3 C/s", heat_time = "4 min" },
  park    = "50 C",
  steps = function()
    stage "Up"
    plate.ramp { to = "60 C", rate = "2 C/s", timeout = "1 min" }
    stage "Hold"
    plate.soak { time = "20 s" }
    stage "Cool"
    plate.off()
    cool { plate = "44 C", fan = "100 %", timeout = "2 min" }
  end,
}
