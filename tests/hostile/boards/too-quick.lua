-- SPDX-License-Identifier: MIT
return board {
  name = "too-quick", title = "within its bounds, and nothing on a bench is that quick",
  lower = { length = "1 mm", width = "500 mm", thick = "20 mm", copper = "100 %", small_parts = "1000 g" },
  parts = { { name = "p", on = "lower", x = "0 mm", y = "0.5 mm", length = "500 mm", width = "0.1 mm", thick = "0.05 mm" } },
  joints = { { name = "j", alloy = "Sn42Bi57Ag1", mass = "0.0001 g", contact = "100 W/K", segments = 8, part = "p",
      shares = { "99.3 %", "0.1 %", "0.1 %", "0.1 %", "0.1 %", "0.1 %", "0.1 %", "0.1 %" } } },
}
