-- expected: harmless -
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local function f(n) if n > 0 then return pcall(f, n - 1) end end f(150)
end }
