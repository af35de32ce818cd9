-- expected: refused 3 
-- SPDX-License-Identifier: MIT
pcall(recipe, { api = 1, title = 1 })
return recipe { api = 1, title = "t", board = "hx210", steps = print }
