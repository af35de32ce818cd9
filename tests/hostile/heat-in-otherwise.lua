-- expected: error 6 above the plate limit
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
plate.ramp { to = "170 C", timeout = "1 s", otherwise = function()
  plate.ramp { to = "300 C", timeout = "5 min" }
end }
end }
