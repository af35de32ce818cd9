-- expected: error 5 hand_heat: watts
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
hand_heat { "Air.", watts = "1000000000 W", time = "10 min", timeout = "1 min" }
end }
