-- expected: killed 7 used more than 64 MiB of memory
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
local t = {}
for i = 1, 100000 do t[i] = "0123456789" end
while true do t[1] = table.concat(t) end
end }
