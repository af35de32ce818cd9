-- SPDX-License-Identifier: MIT
-- What is measured before the work is measured again after it.
return recipe {
  api     = 1,
  title   = "Quick measurements",
  board   = "quick",
  rails   = { "battery" },
  before  = { "battery", "battery diode", "battery idle" },
  ceiling = { supply_volts = "4.2 V", supply_amps = "1 A" },
  steps = function()
    stage "Feed"
    supply.limit { rail = "battery", amps = "500 mA" }
    supply.on { rail = "battery", volts = "4 V", amps = "300 mA", timeout = "5 s" }
    wait "1 s"
    supply.off()
  end,
}
