-- expected: killed 3 ran for more than
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = ("a"):rep(10000):find(".-.-.-.-.-b"), board = "hx210", steps = print }
