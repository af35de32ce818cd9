-- expected: harmless -
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
print("a\27[2J\u{202E}\0b\xff\r\n", {}, print, 0 / 0, 1e308)
end }
