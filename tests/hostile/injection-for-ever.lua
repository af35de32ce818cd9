-- expected: error - 
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
while true do supply.inject { rail = "battery", volts = "0.5 V", amps = "0.5 A", time = "1000000 s" } end
end }
