-- expected: error 6 set by supply.limit
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
supply.limit { rail = "battery", volts = "1 V" }
supply.limit { rail = "battery", volts = "4 V" }
end }
