-- expected: error 6 it was to reach 170 C
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
for i = 1, 100 do
  pcall(plate.ramp, { to = "170 C", timeout = "5 s" })
end
note "went on"
end }
