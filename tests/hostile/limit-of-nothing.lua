-- expected: error 5 expected at least 1 mV
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
supply.limit { rail = "battery", volts = "0.4 mV" }
end }
