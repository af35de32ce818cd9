-- expected: killed 7 ran for more than its CPU time
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "quick", insert = "flat-30x20",
  ceiling = { plate = "80 C", heat_time = "3 min" }, steps = function()
plate.ramp { to = "55 C", timeout = "1 min" }
if confirm { "All well?", timeout = "1 min" } then plate.off() return end
wait_until { function() while true do end end, timeout = "1 min" }
end }
