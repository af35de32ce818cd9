-- expected: refused rail-of-nothing.lua:5 volts: "0.4 mV" is out of range
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "rail-of-nothing", steps = function(p) end }
