-- expected: error 5 pattern too complex
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
("a"):rep(50000):find(("a*"):rep(200) .. "b")
end }
