-- expected: harmless -
-- SPDX-License-Identifier: MIT
return recipe { api = 1, title = "t", board = "hx210", insert = "frame-60x40", rails = { "battery" },
  ceiling = { plate = "180 C" }, steps = function(p)
local never = { io = 1, os = 1, debug = 1, package = 1, coroutine = 1, load = 1, loadfile = 1, dofile = 1,
  setmetatable = 1, getmetatable = 1, rawset = 1, rawget = 1, collectgarbage = 1, dump = 1, _G = 1 }
local seen, count = {}, 0
local function walk(t)
  for name, value in pairs(t) do
    count = count + 1
    if never[name] then error("found " .. name) end
    if type(value) == "userdata" or type(value) == "thread" then error("found a " .. type(value)) end
    if type(value) == "table" and not seen[name] then seen[name] = true walk(value) end
  end
end
walk(_ENV)
walk(p)
if count < 60 then error "saw too little" end
end }
