-- SPDX-License-Identifier: MIT
-- A rail is measured, and measured again a while later: for tests that pull the meter out in between.
return recipe {
  api     = 1,
  title   = "Quick meter",
  board   = "quick",
  rails   = { "battery" },
  ceiling = { supply_volts = "4.2 V", supply_amps = "1 A" },
  steps = function()
    stage "First"
    record("first", meter.read { rail = "battery", timeout = "1 min" }, "ohm")
    stage "Between"
    wait "15 s"
    stage "Second"
    record("second", meter.read { rail = "battery", timeout = "1 min" }, "ohm")
    supply.on { rail = "battery", volts = "4 V", amps = "300 mA", timeout = "5 s" }
    wait "1 s"
    supply.off()
  end,
}
