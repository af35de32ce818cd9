-- expected: error 5 expected at least 0.001 C/s
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
plate.ramp { to = "60 C", rate = "0.0004 C/s", timeout = "60 s" }
end }
