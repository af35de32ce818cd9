-- expected: refused 3 api
-- SPDX-License-Identifier: MIT
return recipe { api = "1", title = {}, board = 5, steps = "print" }
