-- SPDX-License-Identifier: MIT
-- The shortest run with heat: up, hold, down.
return recipe {
  api     = 1,
  title   = "Quick warm-up",
  board   = "quick",
  insert  = "flat-30x20",
  ceiling = { plate = "80 C", ramp = "3 C/s", heat_time = "3 min" },
  steps = function()
    stage "Warm"
    plate.ramp { to = "60 C", rate = "2 C/s", timeout = "1 min" }
    plate.soak { time = "3 s" }
    stage "Cool"
    plate.off()
    cool { plate = "44 C", fan = "100 %", timeout = "5 min" }
  end,
}
