-- SPDX-License-Identifier: MIT
-- A heating profile as a list: each row is a stage with where to go, how fast, how long to stay.
--
--   local profile = require "profile"
--   profile.run {
--     { stage = "Preheat", to = "120 C", rate = "1.5 C/s", hold = "40 s", timeout = "3 min" },
--     { stage = "Melt",    to = "172 C", timeout = "2 min" },
--   }
local profile = {}

local known = { stage = true, to = true, rate = true, hold = true, timeout = true }

local function check(row, i)
  for key in pairs(row) do
    if not known[key] then
      error("profile: row " .. i .. ': "' .. tostring(key) .. '" is not known: stage, to, rate, hold, timeout', 3)
    end
  end
end

function profile.run(rows)
  for i, row in ipairs(rows) do
    check(row, i)
  end
  for _, row in ipairs(rows) do
    if row.stage then
      stage(row.stage)
    end
    plate.ramp { to = row.to, rate = row.rate, timeout = row.timeout }
    if row.hold then
      plate.soak { time = row.hold }
    end
  end
end

return profile
