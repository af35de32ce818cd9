-- expected: killed 7 more than 64 MiB
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "quick", insert = "flat-30x20",
  ceiling = { plate = "80 C", heat_time = "3 min" }, steps = function()
plate.ramp { to = "55 C", timeout = "1 min" }
if confirm { "All well?", timeout = "1 min" } then plate.off() return end
local all = "x" while true do all = all .. all end
end }
