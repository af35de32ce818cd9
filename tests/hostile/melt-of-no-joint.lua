-- expected: error 6 at most 255
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
board.place { "Lay it.", timeout = "1 min" }
wait_for_melt { joint = ("x"):rep(1 << 20), timeout = "1 min" }
end }
