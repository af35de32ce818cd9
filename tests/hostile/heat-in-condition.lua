-- expected: harmless -
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
wait_until { function() plate.ramp { to = "40 C", timeout = "5 min" } return true end, timeout = "5 min" }
end }
