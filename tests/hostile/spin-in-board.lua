-- expected: killed spins.lua:2 ran for more than
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "spins", steps = function(p) end }
