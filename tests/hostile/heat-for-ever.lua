-- expected: tripped - 
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
while true do plate.ramp { to = "170 C", timeout = "10 min" } plate.soak { time = "10 min" } end
end }
