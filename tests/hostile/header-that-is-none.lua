-- expected: refused 1 does not call "recipe"
-- SPDX-License-Identifier: MIT
return { api = 1, title = "t", board = "hx210", steps = print }
