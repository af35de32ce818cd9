-- SPDX-License-Identifier: MIT
-- The upper board of an HX-230 by itself, parts up, for work on single parts. Figures as in hx230.lua, but
-- for the joint: some 50 balls of 0.3 mm, 0.2 mm high, at 58 W/mK conduct 1 W/K
-- (calculated, not measured).
return board {
  name = "hx230-upper",
  title = "handheld scanner HX-230, upper board",

  lower = { length = "60 mm", width = "40 mm", thick = "0.8 mm", copper = "20 %", small_parts = "14 g" },
  contact = { spread = "50 %", tolerance = "15 %", mass_tolerance = "10 %" },

  parts = {
    { name = "U1", on = "lower", x = "38 mm", y = "20 mm", length = "12 mm", width = "12 mm", thick = "1.2 mm", max = "245 C", rail = "core" },
    { name = "U2", on = "lower", x = "16 mm", y = "22 mm", length = "8 mm", width = "7 mm", thick = "1 mm", max = "245 C", rail = "battery" },
    { name = "U3", on = "lower", x = "50 mm", y = "12 mm", length = "8 mm", width = "8 mm", thick = "0.9 mm", max = "245 C" },
  },

  joints = {
    { name = "pmic", part = "U2", alloy = "SAC305", mass = "0.02 g", contact = "1 W/K", segments = 4 },
  },

  rails = {
    { name = "battery", volts = "4 V", amps = "1.5 A", healthy = "45 kohm", diode = "0.42 V", idle = "40 mA" },
    { name = "core", volts = "0.9 V", amps = "1 A", healthy = "35 ohm", diode = "0.12 V", idle = "0 mA" },
  },
}
