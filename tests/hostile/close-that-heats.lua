-- expected: error 5 non-closable
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local x <close> = { __close = function() plate.ramp { to = "170 C", timeout = "1 min" } end }
end }
