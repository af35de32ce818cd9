-- expected: error 7
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "quick", insert = "flat-30x20", rails = { "battery" },
  ceiling = { plate = "80 C", heat_time = "3 min", supply_volts = "4.2 V", supply_amps = "1 A" }, steps = function()
plate.ramp { to = "55 C", timeout = "1 min" }
if confirm { "All well?", timeout = "1 min" } then plate.off() return end
supply.on { rail = "battery", volts = "4 V", amps = "300 mA", timeout = "5 s" }
end }
