-- SPDX-License-Identifier: MIT
-- A test coupon: a copper plate of 60 x 40 x 5 mm, 107 g, without parts. For recipes/learn-coupon.lua.
return board {
  name = "coupon",
  title = "test coupon, copper, 107 g",

  lower = { length = "60 mm", width = "40 mm", thick = "5 mm", copper = "100 %" },
  contact = { spread = "0 %", tolerance = "0 %", mass_tolerance = "0 %" },
}
