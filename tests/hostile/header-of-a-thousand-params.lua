-- expected: refused - 
-- SPDX-License-Identifier: MIT
local many = {}
for i = 1, 1000 do many["p" .. i] = { "1 s", min = "1 s", max = "2 s" } end
return recipe { api = 1, title = "t", board = "hx210", params = many, steps = print }
