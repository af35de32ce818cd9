-- expected: killed - used more than 64 MiB of memory
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local t = {}
for i = 1, 900000 do t[i] = true end
for k in pairs(t) do end
end }
