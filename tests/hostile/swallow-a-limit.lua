-- expected: error 5 300 C is above the plate limit of 180 C
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
while true do pcall(plate.ramp, { to = "300 C", timeout = "5 min" }) end
end }
