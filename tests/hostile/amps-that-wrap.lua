-- expected: error 5 limit
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
supply.inject { rail = "battery", volts = "0.5 V", amps = "4294967.3 A", time = "5 s" }
end }
