-- SPDX-License-Identifier: MIT
-- Fails with the heat on, by an answer, so that its rehearsal is no proof: everything has to be off all the same.
return recipe {
  api     = 1,
  title   = "Quick failure",
  board   = "quick",
  insert  = "flat-30x20",
  ceiling = { plate = "80 C", ramp = "3 C/s", heat_time = "3 min" },
  steps = function()
    stage "Warm"
    plate.ramp { to = "55 C", rate = "2 C/s", timeout = "1 min" }
    if confirm { "Is it to fail?", timeout = "1 min" } then
      error "on purpose"
    end
  end,
}
