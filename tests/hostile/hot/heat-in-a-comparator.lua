-- expected: tripped - heat-time-over
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "quick", insert = "flat-30x20",
  ceiling = { plate = "80 C", heat_time = "20 s" }, steps = function()
plate.ramp { to = "55 C", timeout = "1 min" }
if confirm { "All well?", timeout = "1 min" } then plate.off() return end
table.sort({ 1, 2, 3 }, function() while true do plate.soak { time = "1 s" } end end)
end }
