-- SPDX-License-Identifier: MIT
-- Is the battery rail short, and where does it get warm? A low current limit first; into a short only
-- below 1 V.
return recipe {
  api     = 1, version = 1,
  title   = "Look for a short on the battery rail",
  board   = "hx210",
  rails   = { "battery" },
  params  = {
    first  = { "300 mA", min = "100 mA", max = "500 mA", help = "current limit of the first look" },
    inject = { "1 A", min = "200 mA", max = "2 A", help = "current into the short" },
  },
  ceiling = { supply_volts = "4.2 V", supply_amps = "2 A", inject_volts = "0.8 V", inject_amps = "2 A" },
  steps = function(p)
    stage "First look"
    if not confirm { "Battery unplugged, supply leads on the battery rail and ground?", timeout = "5 min" } then
      error "not connected: nothing was switched on"
    end
    local ohms = meter.read { rail = "battery", timeout = "5 min" }
    record("before power", ohms, "ohm")
    supply.limit { rail = "battery", amps = "500 mA" }
    local first = supply.on { rail = "battery", volts = "4 V", amps = p.first, timeout = "5 s" }
    wait "2 s"
    first = supply.read()
    supply.off()
    record("first look", first.amps, "A")
    record("first look volts", first.volts, "V")

    if first.volts > 3.6 then
      record("battery short", 0)
      tell(("No short: %.2f V at %.0f mA before the power button."):format(first.volts, 1000 * first.amps))
      return
    end

    -- the current is at its limit and the volts have collapsed: a short, or close to one
    record("battery short", 1)
    tell(("Heavy draw at once: %.2f V at the limit of %s. Watch the board through the camera now."):format(first.volts, p.first))
    stage "Inject"
    for _, volts in ipairs { "0.3 V", "0.5 V", "0.8 V" } do
      local r = supply.inject { rail = "battery", volts = volts, amps = p.inject, time = "15 s" }
      record("rail resistance", r.ohms, "ohm")
      tell(("%s: %.3f A flowed, %.2f ohm."):format(volts, r.amps, r.ohms))
      if confirm { "Does one part show up warm?", timeout = "2 min" } then
        break
      end
    end
    note "look at the rise over the picture without current, not at the shine"
  end,
}
