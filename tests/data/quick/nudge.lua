-- SPDX-License-Identifier: MIT
-- Little room above its target, little heat time beyond its soak: for an operator who nudges.
return recipe {
  api     = 1,
  title   = "Quick hold under a low ceiling",
  board   = "quick",
  insert  = "flat-30x20",
  ceiling = { plate = "60 C", ramp = "3 C/s", heat_time = "90 s" },
  steps = function()
    stage "Up"
    plate.ramp { to = "53 C", rate = "2 C/s", timeout = "1 min" }
    stage "Hold"
    plate.soak { time = "10 s" }
    stage "Cool"
    plate.off()
    cool { plate = "44 C", fan = "100 %", timeout = "2 min" }
  end,
}
