-- expected: tripped - heat-time-over
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "quick", insert = "flat-30x20",
  ceiling = { plate = "80 C", heat_time = "30 s" }, steps = function()
plate.ramp { to = "55 C", timeout = "1 min" }
if confirm { "All well?", timeout = "1 min" } then plate.off() return end
while true do
  pcall(board.place, { "Lay it.", timeout = "20 s" })
  pcall(board.press, { "Press.", timeout = "20 s" })
  pcall(hand_heat, { "Air.", part = "U1", time = "5 s", timeout = "20 s" })
  pcall(board.release, { "Let go.", timeout = "20 s" })
end
end }
