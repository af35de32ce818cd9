-- expected: harmless -
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
plate.ramp { to = "100 C", timeout = "5 min" } fan.on() fan.off() plate.soak { time = "5 s" }
end }
