-- expected: error spin-in-rep.lua:3 a module cannot call
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
require "spin-in-rep"
end }
