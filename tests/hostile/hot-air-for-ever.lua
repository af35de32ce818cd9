-- expected: error 6 hand_heat: time
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
board.place { "Lay it.", timeout = "1 min" }
hand_heat { "Air.", part = "C14", watts = "2 kW", time = "1000000000 s", timeout = "1000000000 s" }
wait "60 s"
end }
