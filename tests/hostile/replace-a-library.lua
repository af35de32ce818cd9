-- expected: error 5 "string.format" cannot be set
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
string.format = function() return "safe" end
end }
