-- SPDX-License-Identifier: MIT
-- A step test: heat, coast, short climbs with pauses, a long cooling, then the fan. `tinlatch bench learn
-- --from RECORD` makes the plate's constants of the record that this leaves. The plate is empty but for the
-- insert, whose weight the bench file states; nothing draughty, and cold at the start.
return recipe {
  api     = 1, version = 1,
  title   = "Learn the plate's constants",
  board   = "hx210",
  insert  = "frame-60x40",
  params  = {
    top = { "130 C", min = "70 C", max = "180 C", help = "how hot the empty plate gets" },
  },
  ceiling = { plate = "200 C", ramp = "2.5 C/s", heat_time = "15 min" },
  steps = function(p)
    stage "Heat"
    plate.ramp { to = p.top, timeout = "6 min" }
    plate.off()
    wait "45 s"

    -- many edges: they tell how long the heat takes to the sensor
    stage "Steps"
    for _ = 1, 8 do
      plate.ramp { to = p.top, timeout = "1 min", otherwise = function() end }
      plate.off()
      wait "45 s"
    end

    stage "Still air"
    wait "8 min"

    stage "Fan"
    cool { plate = "45 C", fan = "100 %", timeout = "30 min" }
  end,
}
