-- expected: refused 3 
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", ceiling = { heat_time = "-1 s" }, steps = print }
