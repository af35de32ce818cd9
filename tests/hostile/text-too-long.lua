-- expected: error 5 at most 255
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
board.place { ("x"):rep(1 << 20), timeout = "1 min" }
end }
