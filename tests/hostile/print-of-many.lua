-- expected: harmless -
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local many = {}
for i = 1, 250 do many[i] = "" end
for round = 1, 40 do
  for n = 20, 250, 10 do print(table.unpack(many, 1, n)) end
end
end }
