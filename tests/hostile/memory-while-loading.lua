-- expected: killed 3 used more than 64 MiB of memory
-- SPDX-License-Identifier: MIT
local s = "x" while true do s = s .. s end
