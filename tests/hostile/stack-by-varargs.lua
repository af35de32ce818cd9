-- expected: killed 5 ran for more than
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local function f(...) return f(1, ...) end f()
end }
