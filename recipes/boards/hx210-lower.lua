-- SPDX-License-Identifier: MIT
-- The lower board of an HX-210 by itself, with a steel stencil full of solder spheres on its frame pads.
-- Figures as in hx210.lua; the stencil is 0.1 mm of steel.
return board {
  name = "hx210-lower",
  title = "handheld scanner HX-210, lower board under the frame stencil",

  lower = { length = "60 mm", width = "40 mm", thick = "0.8 mm", copper = "20 %", small_parts = "34 g" },
  contact = { spread = "60 %", tolerance = "15 %", mass_tolerance = "10 %" },

  parts = {
    { name = "U5", on = "lower", x = "30 mm", y = "20 mm", length = "9 mm", width = "9 mm", thick = "1 mm", max = "240 C", rail = "radio" },
    { name = "stencil", on = "lower", x = "30 mm", y = "20 mm", length = "60 mm", width = "40 mm", thick = "0.1 mm" },
  },

  joints = {
    -- the spheres touch pads and stencil in points only
    { name = "frame", part = "stencil", alloy = "Sn42Bi57Ag1", mass = "0.12 g", contact = "0.6 W/K", segments = 8 },
  },

  rails = {
    { name = "battery", volts = "4 V", amps = "1.5 A", healthy = "45 kohm", diode = "0.42 V", idle = "40 mA" },
    { name = "radio", volts = "1.8 V", amps = "500 mA", healthy = "12 kohm", diode = "0.38 V", idle = "2 mA" },
  },
}
