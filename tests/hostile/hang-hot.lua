-- expected: killed 6 ran for more than
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
plate.ramp { to = "120 C", timeout = "5 min" }
while true do end
end }
