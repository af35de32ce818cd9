-- SPDX-License-Identifier: MIT
-- Holds its heat until somebody ends it: for tests that break something meanwhile.
return recipe {
  api     = 1,
  title   = "Quick hold",
  board   = "quick",
  insert  = "flat-30x20",
  ceiling = { plate = "80 C", ramp = "3 C/s", heat_time = "4 min" },
  steps = function()
    stage "Hold"
    plate.ramp { to = "60 C", rate = "2 C/s", timeout = "1 min" }
    plate.soak { time = "150 s" }
    plate.off()
    cool { plate = "44 C", fan = "100 %", timeout = "2 min" }
  end,
}
