-- SPDX-License-Identifier: MIT
-- HX-230, a handheld scanner of an invented maker: two boards of eight foils (20 um each, a fifth of the 0.8 mm),
-- joined all round by a frame of tin-lead solder. Common practice, no source: sizes and masses are those of
-- small handhelds; contacts, spread and masses of small parts are calibrated so that the stack behaves as
-- technicians report, on every grid: it opens with the plate at some 200 C, within 120 s.
return board {
  name = "hx230",
  title = "handheld scanner HX-230, two-board stack",

  lower = { length = "60 mm", width = "40 mm", thick = "0.8 mm", copper = "20 %", small_parts = "16 g" },
  upper = { length = "60 mm", width = "40 mm", thick = "0.8 mm", copper = "20 %", small_parts = "14 g" },
  contact = { spread = "50 %", tolerance = "15 %", mass_tolerance = "10 %" },

  parts = {
    { name = "U1", on = "upper", x = "38 mm", y = "20 mm", length = "12 mm", width = "12 mm", thick = "1.2 mm", max = "245 C", rail = "core" },
    { name = "U2", on = "upper", x = "16 mm", y = "22 mm", length = "8 mm", width = "7 mm", thick = "1 mm", max = "245 C", rail = "battery" },
    { name = "U3", on = "upper", x = "50 mm", y = "12 mm", length = "8 mm", width = "8 mm", thick = "0.9 mm", max = "245 C" },
    { name = "C14", on = "upper", x = "14 mm", y = "10 mm", length = "3.2 mm", width = "1.6 mm", thick = "1.6 mm", rail = "battery" },
    { name = "C31", on = "upper", x = "42 mm", y = "8 mm", length = "3.2 mm", width = "1.6 mm", thick = "1.6 mm", rail = "core" },
    { name = "U5", on = "lower", x = "30 mm", y = "20 mm", length = "9 mm", width = "9 mm", thick = "1 mm", max = "240 C", rail = "radio" },
  },

  joints = {
    -- all round between the boards; eight segments, since the far ones melt late
    { name = "frame", alloy = "Sn63Pb37", mass = "0.12 g", contact = "2.0 W/K", segments = 8 },
    -- the balls under the power controller
    { name = "pmic", part = "U2", alloy = "SAC305", mass = "0.02 g", contact = "0.10 W/K", segments = 4 },
  },

  rails = {
    { name = "battery", volts = "4 V", amps = "1.5 A", inject_volts = "0.8 V", inject_amps = "2.6 A",
      healthy = "45 kohm", diode = "0.42 V", idle = "40 mA", short = "0.3 ohm", short_part = "C14" },
    { name = "core", volts = "0.9 V", amps = "1 A", inject_volts = "0.6 V", inject_amps = "2 A",
      healthy = "35 ohm", diode = "0.12 V", idle = "0 mA", short = "0.05 ohm", short_part = "C31" },
    { name = "radio", volts = "1.8 V", amps = "500 mA", inject_volts = "0.8 V", inject_amps = "1 A",
      healthy = "12 kohm", diode = "0.38 V", idle = "2 mA", short = "0.8 ohm", short_part = "U5" },
  },
}
