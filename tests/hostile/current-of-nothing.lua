-- expected: error 5 expected at least 1 mA
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
supply.on { rail = "battery", volts = "1 V", amps = "0.4 mA", timeout = "5 s" }
end }
