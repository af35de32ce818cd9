-- SPDX-License-Identifier: MIT
-- Feeds a rail until somebody ends it: for tests that break something meanwhile.
return recipe {
  api     = 1,
  title   = "Quick feed",
  board   = "quick",
  rails   = { "battery" },
  ceiling = { supply_volts = "4.2 V", supply_amps = "1 A" },
  steps = function()
    stage "Feed"
    supply.on { rail = "battery", volts = "4 V", amps = "300 mA", timeout = "5 s" }
    wait "2 min"
  end,
}
