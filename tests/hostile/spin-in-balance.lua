-- expected: killed 5 ran for more than
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
("("):rep(1 << 23):find("%b()")
end }
