-- expected: error 7 not known
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local t = { to = "100 C", timeout = "5 min" }
for i = 1, 300000 do t["k" .. i] = 1 end
plate.ramp(t)
end }
