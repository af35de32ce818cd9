-- expected: error 5 more than 5000 notes
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
while true do pcall(note, "again and again") end
end }
