-- expected: tripped - heat-time-over
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
plate.ramp { to = "170 C", timeout = "10 min" }
while true do
  pcall(board.place, { "Lay it.", timeout = "1 min" })
  pcall(board.press, { "Press.", timeout = "1 min" })
  pcall(hand_heat, { "Air.", part = "C14", time = "1 min", timeout = "1 min" })
  pcall(board.release, { "Let go.", timeout = "1 min" })
end
end }
