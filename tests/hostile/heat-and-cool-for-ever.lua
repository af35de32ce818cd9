-- expected: tripped - 
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
while true do plate.ramp { to = "170 C", timeout = "20 min" } cool { plate = "40 C", fan = "100 %", timeout = "60 min" } end
end }
