-- expected: error 5 plate.ramp: to
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
plate.ramp { to = "1e308 C", timeout = "5 min" }
end }
