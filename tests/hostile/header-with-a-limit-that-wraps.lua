-- expected: refused 3 
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", ceiling = { plate = "4294967.416 C" }, steps = print }
