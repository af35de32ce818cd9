-- expected: error 5 "coroutine" is not there
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local c for i = 1, 20000 do local d = c c = coroutine.create(function() local x <close> = d end) end
end }
