-- expected: refused 5 second time
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
end } , recipe { api = 1, title = "u", board = "hx210", steps = print }
