-- SPDX-License-Identifier: MIT
-- Fails with the heat on: everything has to be off all the same.
return recipe {
  api     = 1,
  title   = "Quick failure",
  board   = "quick",
  insert  = "flat-30x20",
  ceiling = { plate = "80 C", ramp = "3 C/s", heat_time = "3 min" },
  steps = function()
    stage "Warm"
    plate.ramp { to = "55 C", rate = "2 C/s", timeout = "1 min" }
    error "on purpose"
  end,
}
