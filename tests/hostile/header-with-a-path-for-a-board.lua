-- expected: refused 3 
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "../../etc/passwd", steps = print }
