-- expected: refused too-quick.lua:6 board too-quick: joint j
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "too-quick", insert = "flat-60x40", steps = function(p)
board.place { "Lay it.", timeout = "1 min" }
plate.ramp { to = "160 C", timeout = "5 min" }
end }
