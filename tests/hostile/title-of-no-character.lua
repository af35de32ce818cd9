-- expected: refused 3 no character
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "a\u{FFFE}b", board = "hx210", steps = function(p) end }
