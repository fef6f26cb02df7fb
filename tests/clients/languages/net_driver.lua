-- Plays lines of {"do": "take" | "at" | "now", ...} to the safety net; prints what `now` says. Used by test_other_languages.
local guidance = dofile(arg[1])
local real_s = 0
local net = guidance.safety_net(tonumber(arg[2]), tonumber(arg[3]), function() return real_s end)
local NULLABLE = {"pitch_deg", "heading_deg", "pointing", "engines"}
for line in io.lines() do
  local step = guidance.decode(line)
  real_s = step.real_s or real_s
  if step["do"] == "take" then
    net:take(step.command)
  elseif step["do"] == "at" then
    net:at(step.time_s, step.state)
  else
    local told = net:now(step.time_s, step.trouble)
    told.command = nil
    local text = guidance.encode(told)
    for _, name in ipairs(NULLABLE) do
      if told[name] == nil then text = text:sub(1, -2) .. ',"' .. name .. '":null}' end
    end
    print(text)
  end
end
