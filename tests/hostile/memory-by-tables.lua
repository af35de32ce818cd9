-- expected: killed 6 used more than 64 MiB of memory
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
local t = {}
while true do t = { t, {}, {} } end
end }
