-- expected: error 5 [2J
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
error "\27[2J\27[1;1H\r\8all is well"
end }
