-- SPDX-License-Identifier: MIT
-- The step test once more, with a test coupon on the insert: a plain block or a blank board of known weight. `tinlatch
-- bench learn --coupon "107 g copper" --from RECORD` makes the insert's contacts of the record that this leaves, once
-- the plate's own constants are learned. Cold at the start, nothing draughty.
return recipe {
  api     = 1, version = 1,
  title   = "Learn an insert's contacts with a test coupon",
  board   = "coupon",
  insert  = "flat-60x40",
  params  = {
    top = { "130 C", min = "110 C", max = "180 C", help = "how hot the plate gets" },
  },
  ceiling = { plate = "200 C", ramp = "2.5 C/s", heat_time = "15 min" },
  steps = function(p)
    stage "Coupon"
    board.place { "Lay the coupon in the insert, cold, the board sensor taped on top if there is one.", timeout = "5 min" }

    -- when it came to lie there nobody knows to the second: this, which makes up for it, is not counted
    stage "Warm"
    plate.ramp { to = "80 C", timeout = "4 min" }
    plate.soak { time = "2 min" }

    stage "Heat"
    plate.ramp { to = p.top, timeout = "6 min" }
    plate.off()
    wait "45 s"

    stage "Steps"
    for _ = 1, 8 do
      plate.ramp { to = p.top, timeout = "1 min", otherwise = function() end }
      plate.off()
      wait "45 s"
    end

    stage "Still air"
    wait "8 min"

    -- here what is learned ends: what a fan does to the coupon is nobody's constant
    stage "Fan"
    cool { plate = "45 C", fan = "100 %", timeout = "30 min" }
  end,
}
