-- SPDX-License-Identifier: MIT
-- Lets a current into a rail until somebody ends it: for tests that break something meanwhile.
return recipe {
  api     = 1,
  title   = "Quick injection",
  board   = "quick",
  rails   = { "battery" },
  ceiling = { inject_volts = "0.8 V", inject_amps = "1 A" },
  steps = function()
    stage "Feed"
    supply.inject { rail = "battery", volts = "0.8 V", amps = "1 A", time = "2 min" }
  end,
}
