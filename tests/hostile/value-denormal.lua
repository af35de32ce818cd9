-- expected: harmless -
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
record("x", 5e-324) record("y", -5e-324) record("z", 2.2250738585072014e-308 / 2)
end }
