-- SPDX-License-Identifier: MIT
-- The same arithmetic for a recipe's sandbox and for the plain interpreter.
local function work(turns)
  local a, b, sum = 0.5, 3, 0
  for i = 1, turns do
    a = a * 1.0000001 + (i % 7) / b
    b = b + (i & 3) * 0.25
    sum = sum + a / (1 + b * b)
    if sum > 1e9 then sum = sum - 1e9 end
  end
  return sum
end

local turns = 60000000
if recipe then
  work(turns)
  return recipe { api = 1, title = "arithmetic", board = "hx210", steps = function() end }
end
work(turns)
