-- expected: killed 5 used more than 64 MiB of memory
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
table.sort({ 3, 1, 2 }, function() return #("x"):rep(1 << 30) > 0 end)
end }
