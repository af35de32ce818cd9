-- expected: refused 3 title
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = ("x"):rep(1 << 16), board = "hx210", steps = print }
