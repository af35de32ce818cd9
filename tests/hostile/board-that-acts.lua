-- expected: refused acts.lua:2 "plate" is not known
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "acts", steps = function(p) end }
