-- expected: error - all is well
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local _, e = pcall(function() return io end)
error((e:gsub(".*", "all is well")), 0)
end }
