-- expected: refused 3 invisible
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx2​10", steps = print }
