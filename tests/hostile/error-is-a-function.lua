-- expected: error 5 an error value that is a function
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
error(function() plate.ramp { to = "170 C", timeout = "5 min" } end)
end }
