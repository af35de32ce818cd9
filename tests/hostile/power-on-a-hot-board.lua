-- expected: error 6 does not name "battery"
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
plate.ramp { to = "100 C", timeout = "5 min" }
supply.on { rail = "battery", volts = "4 V", amps = "1 A", timeout = "5 s" }
end }
