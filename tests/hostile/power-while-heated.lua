-- expected: error 6 
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
plate.ramp { to = "60 C", timeout = "5 min" }
supply.on { rail = "battery", volts = "4 V", amps = "1 A", timeout = "5 s" }
end }
