-- expected: error 7 ceiling
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "quick", insert = "flat-30x20",
  ceiling = { plate = "80 C", heat_time = "3 min" }, steps = function()
plate.ramp { to = "55 C", timeout = "1 min" }
if confirm { "All well?", timeout = "1 min" } then plate.off() return end
plate.ramp { to = "85 C", timeout = "1 min" }
end }
