-- expected: error 5 too many captures
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
("x"):rep(40):find(("(x)"):rep(33))
end }
