-- expected: error 5 limit
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
supply.on { rail = "battery", volts = "4294967.3 V", amps = "1 A", timeout = "5 s" }
end }
