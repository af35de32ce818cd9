-- expected: killed 6 ran for more than
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local t = {}
while true do table.insert(t, 1, #t) if #t > 200000 then t = {} end end
end }
