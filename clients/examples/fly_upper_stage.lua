-- Fly the upper stage Curlew from separation to the height of the depot Lagoon, from Lua. (Invented vehicle.)
--
--   lua clients/examples/fly_upper_stage.lua [--guidance tcp://127.0.0.1:5771] [--vehicle tcp://127.0.0.1:5821]
--       [--name Curlew] [--plan curlew_to_lagoon]
--
-- Needs LuaSocket for the simulated vehicle. For simulation and teaching only; do not connect it to a real vehicle.

local here = arg[0]:match("^(.*)[/\\]") or "."
package.path = here .. "/../?.lua;" .. package.path
local guidance = require("guidance_client")
local socket = require("socket")

local STEP_S = 0.1
local STATE_FIELDS = {
  "time_s", "position_m", "velocity_m_s", "mass_kg", "propellant_kg", "stage", "engine_on", "throttle", "thrust_n",
  "pointing",
}
-- What each event asks of the vehicle; the others only tell what comes next.
local VEHICLE_ACTIONS = {ignite = "ignite", cutoff = "cutoff", circularize = "ignite"}

local options = {
  ["--guidance"] = "tcp://127.0.0.1:5771", ["--vehicle"] = "tcp://127.0.0.1:5821",
  ["--name"] = "Curlew", ["--plan"] = "curlew_to_lagoon",
}
for i = 1, #arg - 1, 2 do options[arg[i]] = arg[i + 1] end

local function stop(why)
  io.stderr:write(tostring(why), "\n")
  os.exit(1)
end

-- The simulated vehicle behind a socket. THIS IS THE PART TO REPLACE with calls into your own simulator.
local host, port = options["--vehicle"]:match("^tcp://(.*):(%d+)$")
local vehicle = socket.connect(host, port)
if not vehicle then
  stop("no simulated vehicle at " .. options["--vehicle"]
    .. ": start `python -m guidance_svc.demo.vehicle`, or give --vehicle")
end

local function ask(request)
  assert(vehicle:send(guidance.encode(request) .. "\n"))
  local answer = guidance.decode(assert(vehicle:receive("*l")))
  return answer.error and stop(answer.error) or answer
end

local function attach(name)
  local answer = ask({["do"] = "attach", vehicle = name})
  while answer.carried_by do
    socket.sleep(0.05)
    answer = ask({["do"] = "attach", vehicle = name})
  end
  return answer
end

-- How far to fly before the next state: 10 Hz under power; else as far as the service allows, or to the event.
local function seconds_to_fly(command)
  if command.engine_on then return STEP_S end
  local until_event_s = command.event and command.event.at_s - command.time_s or 0
  local limit_s = until_event_s > 0 and math.min(until_event_s, command.next_contact_s) or command.next_contact_s
  return math.max(STEP_S, limit_s)
end

local seen = attach(options["--name"]) -- waits until Sandpiper lets go of it
local client = guidance.new(options["--guidance"])
local wanted = {vehicle = options["--name"], role = "upper_stage", plan = options["--plan"]}
local is_open, opened = pcall(client.open, client, wanted)
if not is_open then stop(opened) end
for _, told in ipairs(opened.phases) do io.stderr:write(told, "\n") end

local phase, command
while true do
  local state = {}
  for _, name in ipairs(STATE_FIELDS) do state[name] = seen[name] end
  command = client:exchange(state)
  if command.phase ~= phase then print(guidance.encode({time_s = command.time_s, phase = command.phase})) end
  phase = command.phase
  if phase == "orbit" then break end

  -- Do what it says; and, ahead of time, what to do on the vehicle's own clock.
  local controls = {
    pointing = command.pointing,
    engine_on = command.engine_on and not guidance.cutoff_now(command, seen.time_s),
    throttle = command.throttle,
    cutoff_at_s = command.cutoff_at_s,
  }
  local event = command.event
  local action = event and VEHICLE_ACTIONS[event.name]
  if action then controls[action .. "_at_s"] = event.at_s end
  seen = ask({["do"] = "advance", seconds = seconds_to_fly(command), controls = controls})
  if event and seen.time_s >= event.at_s then client:done(event) end -- or the service goes on repeating it
end
client:close()
vehicle:close()
local verdict = {status = command.status, mass_kg = seen.mass_kg}
if command.warnings[1] then verdict.warnings = command.warnings end
print(guidance.encode(verdict))
os.exit(command.status == "complete" and 0 or 1)
