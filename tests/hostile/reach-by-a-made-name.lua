-- expected: error 7 "os" is not there
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local hidden = { 111, 115 }
local name = string.char(hidden[1], hidden[2])
local function f() return _ENV[name] end f()
end }
