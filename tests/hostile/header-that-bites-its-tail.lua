-- expected: refused - 
-- SPDX-License-Identifier: MIT
local h = { api = 1, title = "t", board = "hx210", steps = print }
h.params = h
return recipe(h)
