-- expected: killed 7 one library call ran for more than
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "quick", insert = "flat-30x20",
  ceiling = { plate = "80 C", heat_time = "3 min" }, steps = function()
plate.ramp { to = "55 C", timeout = "1 min" }
if confirm { "All well?", timeout = "1 min" } then plate.off() return end
string.find(("a"):rep(60000), (".-"):rep(30) .. "b")
end }
