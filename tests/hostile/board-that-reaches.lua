-- expected: refused reaches.lua:2 "io" is not there
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "reaches", steps = function(p) end }
