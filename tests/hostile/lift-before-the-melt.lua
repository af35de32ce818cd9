-- expected: error 6 still solid
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
board.place { "lay it", timeout = "2 min" }
board.lift { "lift", timeout = "1 min" }
end }
