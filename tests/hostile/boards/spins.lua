-- SPDX-License-Identifier: MIT
while true do end
