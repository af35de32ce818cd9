-- expected: refused 3 
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", ceiling = { plate = "nan C" }, steps = print }
