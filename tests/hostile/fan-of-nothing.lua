-- expected: error 5 expected 0 %, or at least 1 %
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
fan.on { speed = "0.4 %" }
end }
