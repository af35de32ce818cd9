-- expected: error 5 "load" is not there
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40",
  ceiling = { plate = "180 C" }, steps = function(p)
local env = _ENV local l = env["lo" .. "ad"]
end }
