-- expected: killed 3 used more than 64 MiB of memory
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = ("x"):rep(1 << 30), board = "hx210", steps = print }
