-- expected: killed 5 ran for more than
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
local function f() pcall(f) end while true do f() end
end }
