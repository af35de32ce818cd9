-- SPDX-License-Identifier: MIT
-- Heats, feeds nothing, and wants a rail measured before: for tests that pull the meter out meanwhile.
return recipe {
  api     = 1,
  title   = "Quick probing",
  board   = "quick",
  insert  = "flat-30x20",
  before  = { "battery" },
  ceiling = { plate = "80 C", ramp = "3 C/s", heat_time = "3 min" },
  steps = function()
    stage "Warm"
    plate.ramp { to = "50 C", rate = "2 C/s", timeout = "1 min" }
    plate.soak { time = "10 s" }
    stage "Cool"
    plate.off()
    cool { plate = "44 C", fan = "100 %", timeout = "2 min" }
  end,
}
