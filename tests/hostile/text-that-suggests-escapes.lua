-- expected: error 5 control character
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
ask { "Which?", suggest = "\27]0;x\7", timeout = "1 min" }
end }
