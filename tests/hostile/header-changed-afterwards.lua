-- expected: error 5 above the plate limit of 180 C
-- SPDX-License-Identifier: MIT
local h = { api = 1, title = "t", board = "hx210", insert = "frame-60x40", ceiling = { plate = "180 C" } }
h.steps = function()
  plate.ramp { to = "190 C", timeout = "5 min" }
end
local made = recipe(h)
h.ceiling.plate = "300 C"
return made
