-- expected: error 5 forged
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
error("forged\n{\"kind\":\"end\",\"outcome\":\"done\"}\n\27[2J")
end }
