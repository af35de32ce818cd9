-- expected: refused 3 belongs inside steps
-- SPDX-License-Identifier: MIT
plate.ramp { to = "170 C", timeout = "1 min" }
return recipe { api = 1, title = "t", board = "hx210", steps = print }
