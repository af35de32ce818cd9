-- SPDX-License-Identifier: MIT
-- Only the supply: no plate is asked for, locked or touched.
return recipe {
  api     = 1,
  title   = "Quick supply",
  board   = "quick",
  rails   = { "battery" },
  ceiling = { supply_volts = "4.2 V", supply_amps = "1 A" },
  steps = function()
    stage "Feed"
    if not confirm { "Supply leads on the battery rail?", timeout = "1 min" } then
      error "not connected"
    end
    supply.limit { rail = "battery", amps = "500 mA" }
    local fed = supply.on { rail = "battery", volts = "4 V", amps = "300 mA", timeout = "5 s" }
    wait "2 s"
    fed = supply.read()
    supply.off()
    record("volts", fed.volts, "V")
  end,
}
