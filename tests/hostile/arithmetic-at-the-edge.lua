-- expected: harmless -
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
local a = math.mininteger // -1
local b = math.maxinteger + 1
assert(a == math.mininteger and b == math.mininteger)
assert(2^53 + 1 == 2^53 and not pcall(function() return 1 // 0 end))
end }
