-- expected: error 6 on purpose
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
plate.ramp { to = "100 C", timeout = "5 min" }
error "on purpose"
end }
