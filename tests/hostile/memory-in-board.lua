-- expected: killed eats.lua:2 used more than 64 MiB of memory
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "eats", steps = function(p) end }
