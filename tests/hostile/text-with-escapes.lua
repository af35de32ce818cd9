-- expected: error 5 control character
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
tell "\27[2J\27[1;1Hall is well"
end }
