-- SPDX-License-Identifier: MIT
local f = io.open("/etc/passwd")
