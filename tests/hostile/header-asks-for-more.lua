-- expected: refused 3 10000 C
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", ceiling = { plate = "10000 C" }, steps = print }
