-- expected: error 3 second time
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", steps = function() recipe { api = 1, title = "u", board = "hx210", ceiling = { plate = "300 C" }, steps = print } end }
