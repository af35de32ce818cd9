-- expected: error 6 attempt to index a number
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local _ENV <const> = 11
X = "over-read"
end }
