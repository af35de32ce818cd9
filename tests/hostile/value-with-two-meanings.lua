-- expected: error 5 given twice
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
plate.ramp { "50 C", to = "170 C", timeout = "5 min" }
end }
