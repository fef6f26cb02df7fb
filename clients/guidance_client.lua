-- Talk to the guidance service from Lua 5.1 to 5.4 or LuaJIT. Copy this one file next to your script.
--
-- Plain Lua has no sockets: over TCP it uses LuaSocket where that is installed. Where a script can only read and write
-- files, give a folder instead of an address and run file_bridge.py beside it.
-- There are no keys: the service's own machine only.
-- For simulation and teaching only; do not connect it to a real vehicle.
--
--   local guidance = require("guidance_client")
--   local client = guidance.new("tcp://127.0.0.1:5771")        -- or guidance.new("files:/path/to/folder")
--   local opened = client:open({vehicle = "Curlew", role = "upper_stage", plan = "curlew_to_lagoon"})
--   local command = client:exchange(state)                     -- waits for the answer
--   local now = client:now(time_s)                             -- between two answers: the law carried on to this time
--
-- Fields of state and command have the names of PROTOCOL.md; null is nil. Cut the engine at command.cutoff_at_s on the
-- vehicle's own clock, not when a reply happens to arrive. A refusal is raised as a table: code, field, expected, got.

local guidance = {}

local PROTOCOL = 1
local ROUNDING_S = 1e-6 -- two clock readings nearer than this are one
local TURN_ON_S = 10 -- of vehicle time that turning rates are applied after their command
local TRAIL_S = 2 -- of vehicle time over which the turning of `pointing` is taken
local MOST_TRAIL = 200 -- commands kept for it

-- JSON ---------------------------------------------------------------------------------------------------------------

local ESCAPES = {['"'] = '\\"', ["\\"] = "\\\\", ["\n"] = "\\n", ["\r"] = "\\r", ["\t"] = "\\t"}

local function quoted(text)
  return '"' .. text:gsub('[%c"\\]', function(c) return ESCAPES[c] or string.format("\\u%04x", c:byte()) end) .. '"'
end

--- A value as JSON; a table with something at [1] is a list, any other an object.
function guidance.encode(value)
  local kind = type(value)
  if kind == "string" then return quoted(value) end
  if kind == "boolean" or kind == "nil" then return value == nil and "null" or tostring(value) end
  if kind == "number" then
    if value ~= value or value == math.huge or value == -math.huge then error("a number that is not finite") end
    if value == math.floor(value) and math.abs(value) < 2 ^ 53 then return string.format("%.0f", value) end
    return (string.format("%.17g", value):gsub(",", "."))
  end
  if kind ~= "table" then error("cannot send a " .. kind) end
  local parts = {}
  if value[1] ~= nil then
    for i = 1, #value do parts[i] = guidance.encode(value[i]) end
    return "[" .. table.concat(parts, ",") .. "]"
  end
  for name, item in pairs(value) do parts[#parts + 1] = quoted(name) .. ":" .. guidance.encode(item) end
  return "{" .. table.concat(parts, ",") .. "}"
end

local UNESCAPED = {n = "\n", r = "\r", t = "\t", b = "\b", f = "\f", ["/"] = "/", ["\\"] = "\\", ['"'] = '"'}

local function utf8_of(code)
  if code < 0x80 then return string.char(code) end
  if code < 0x800 then return string.char(0xC0 + math.floor(code / 64), 0x80 + code % 64) end
  return string.char(0xE0 + math.floor(code / 4096), 0x80 + math.floor(code / 64) % 64, 0x80 + code % 64)
end

local function decode_string(text, at)
  local parts = {}
  while true do
    local stop = text:find('["\\]', at) or error("a text without end")
    parts[#parts + 1] = text:sub(at, stop - 1)
    if text:sub(stop, stop) == '"' then return table.concat(parts), stop + 1 end
    local escape = text:sub(stop + 1, stop + 1)
    if escape == "u" then
      parts[#parts + 1] = utf8_of(tonumber(text:sub(stop + 2, stop + 5), 16) or error("a bad escape"))
      at = stop + 6
    else
      parts[#parts + 1] = UNESCAPED[escape] or error("a bad escape")
      at = stop + 2
    end
  end
end

local decode_at

local function decode_table(text, at, close, is_object)
  local found, count = {}, 0
  at = text:find("%S", at)
  while text:sub(at, at) ~= close do
    local name, value
    count = count + 1
    if is_object then
      name, at = decode_at(text, at)
      at = text:match("^%s*:()", at) or error("a name without value")
    end
    value, at = decode_at(text, at)
    found[is_object and name or count] = value
    at = text:find("%S", at) or error("a list without end")
    if text:sub(at, at) == "," then at = text:find("%S", at + 1) or error("a list without end") end
  end
  return found, at + 1
end

decode_at = function(text, at)
  at = text:find("%S", at) or error("nothing where a value should be")
  local first = text:sub(at, at)
  if first == '"' then return decode_string(text, at + 1) end
  if first == "{" then return decode_table(text, at + 1, "}", true) end
  if first == "[" then return decode_table(text, at + 1, "]", false) end
  for word, value in pairs({["true"] = true, ["false"] = false}) do
    if text:sub(at, at + #word - 1) == word then return value, at + #word end
  end
  if text:sub(at, at + 3) == "null" then return nil, at + 4 end
  local number = text:match("^-?[%d.eE+-]+", at) or error("no JSON at " .. text:sub(at, at + 20))
  return tonumber(number) or error("no number: " .. number), at + #number
end

--- A value from JSON; null becomes nil.
function guidance.decode(text)
  return (decode_at(text, 1))
end

-- The safety net -----------------------------------------------------------------------------------------------------

local NUMBERS = { -- of a command; all of them are needed
  "seq", "time_s", "pitch_deg", "heading_deg", "pitch_rate_deg_s", "heading_rate_deg_s", "throttle", "next_contact_s",
}
local TIMES = {"cutoff_at_s", "latest_off_at_s"} -- numbers or null, not both null while the engine is on

local function finite(value)
  return type(value) == "number" and value == value and value > -math.huge and value < math.huge
end

--- A clock of real time, in seconds, that is never set back and never leaps: the parts of `read` (a clock of the
-- system's, which may do both) that are between 0 and `most_s` each.
function guidance.steady(read, most_s)
  local before_s, elapsed_s = read(), 0
  return function()
    local now_s = read()
    elapsed_s = elapsed_s + math.max(0, math.min(now_s - before_s, most_s))
    before_s = now_s
    return elapsed_s
  end
end

local function system_clock()
  local there, socket = pcall(require, "socket")
  return there and socket.gettime or os.time
end

--- Vehicle time from which the engine is off: the cutoff, or `latest_off_at_s`; infinity while it is off anyway.
function guidance.off_at_s(command)
  local off_s = math.huge
  for _, name in ipairs(TIMES) do
    if finite(command[name]) then off_s = math.min(off_s, command[name]) end
  end
  return off_s
end

--- The first field of a command that is missing or not what PROTOCOL.md says, in words; nil for none.
function guidance.flaw(command)
  local function wrong(name) return name .. " is " .. tostring(command[name]) end
  for _, name in ipairs(NUMBERS) do
    if not finite(command[name]) then return wrong(name) end
  end
  for _, name in ipairs(TIMES) do -- null and missing are one in Lua
    if command[name] ~= nil and not finite(command[name]) then return wrong(name) end
  end
  if type(command.engine_on) ~= "boolean" then return wrong("engine_on") end
  if command.engine_on and guidance.off_at_s(command) == math.huge then return wrong("latest_off_at_s") end
  if type(command.phase) ~= "string" then return wrong("phase") end
  local pointing, down = command.pointing, command.throttle_down
  local three = type(pointing) == "table" and #pointing == 3
  if not (three and finite(pointing[1]) and finite(pointing[2]) and finite(pointing[3])) then return wrong("pointing") end
  if down ~= nil and not (type(down) == "table" and finite(down.at_s) and finite(down.throttle)) then
    return wrong("throttle_down")
  end
  if command.engines ~= nil and not finite(command.engines) then return wrong("engines") end
  if command.cut_on_contact ~= nil and type(command.cut_on_contact) ~= "boolean" then return wrong("cut_on_contact") end
end

--- Whether it is an order of a landing: its engine is cut by contact, and cutting it earlier is not safe.
local function lands(command) return command.cut_on_contact == true end

--- Whether the engine is ordered to burn; in a landing also by an ignition told ahead, from its time on.
local function lit_at(command, time_s)
  local event = command.event
  local ahead = lands(command) and type(event) == "table" and event.name == "ignite" and finite(event.at_s)
    and guidance.off_at_s(command) < math.huge
  return command.engine_on or (ahead and time_s + ROUNDING_S >= event.at_s)
end

--- Whether the engine must be off at this vehicle time; with the tick's length, at the tick nearest to the cutoff.
-- Yes if the clock reads no number.
function guidance.cutoff_now(command, time_s, tick_s)
  return not finite(time_s) or time_s + 0.5 * (tick_s or 0) + ROUNDING_S >= guidance.off_at_s(command)
end

local Net = {}
Net.__index = Net

--- What the vehicle does between two replies, and when none come any more: the last law, and never more than it.
-- PROTOCOL.md, "A safety net of your own", has its rules. It goes by the vehicle's clock; while that reads no number,
-- by the seconds of `clock` since it last did.
function guidance.safety_net(tick_s, stale_after_s, clock)
  return setmetatable({
    tick_s = tick_s or 0, stale_after_s = stale_after_s or 1, command = nil, trail = {},
    time_s = -math.huge, unknown_since_s = -math.huge, cut_s = nil, on = false, throttle = 0,
    contact_s = nil, -- since when legs or arms bear, as the states say
    clock = clock or guidance.steady(system_clock(), 10), read_s = 0, flaw = nil,
  }, Net)
end

--- Note the clock and the engine; true when the clock went back: what is of the later time is dropped.
function Net:at(time_s, state)
  if not finite(time_s) then return false end
  self.read_s = self.clock()
  local back, first = time_s < self.time_s, self.time_s == -math.huge
  if back then
    local kept = {}
    for _, command in ipairs(self.trail) do
      if command.time_s <= time_s then kept[#kept + 1] = command end
    end
    self.trail, self.command = kept, kept[#kept]
    if self.cut_s and self.cut_s > time_s then self.cut_s = nil end
    if self.contact_s and self.contact_s > time_s then self.contact_s = nil end
  end
  if back or first then self.unknown_since_s = time_s end
  if state and (back or not self.command) then
    self.on, self.throttle = state.engine_on == true, finite(state.throttle) and state.throttle or 0
  end
  if state and state.contact == false then self.contact_s = nil end
  if state and state.contact == true then self.contact_s = self.contact_s or time_s end
  self.time_s = time_s
  return back
end

--- Take a command, however late; one that is flawed or not newer than the last is passed over.
function Net:take(command)
  local found = guidance.flaw(command)
  if found then
    self.flaw = "an answer was passed over, its " .. found
    return
  end
  if self.command and command.seq <= self.command.seq then return end
  self.flaw = nil
  local near = {}
  for i = math.max(1, #self.trail - MOST_TRAIL + 1), #self.trail do
    local age_s = command.time_s - self.trail[i].time_s
    if age_s > 0 and age_s <= TRAIL_S and self.trail[i].phase == command.phase then near[#near + 1] = self.trail[i] end
  end
  near[#near + 1] = command
  self.trail, self.command = near, command
end

local function turned(first, command, seconds)
  local pointing = command.pointing
  if first ~= command and seconds > 0 then
    local ahead, moved, square = seconds / (command.time_s - first.time_s), {}, 0
    for i = 1, 3 do
      moved[i] = pointing[i] + ahead * (pointing[i] - first.pointing[i])
      square = square + moved[i] ^ 2
    end
    if square > 0 then
      pointing = {moved[1] / math.sqrt(square), moved[2] / math.sqrt(square), moved[3] / math.sqrt(square)}
    end
  end
  local pitch_deg = command.pitch_deg + command.pitch_rate_deg_s * seconds
  local heading_deg = (command.heading_deg + command.heading_rate_deg_s * seconds) % 360
  return math.max(-90, math.min(90, pitch_deg)), heading_deg, pointing
end

local function sentence(command, on, trouble)
  local told = "engine off"
  local law = lands(command) and "landing by the last order until contact or" or "flying on the last law until"
  if on then told = law .. " cutoff at " .. guidance.off_at_s(command) .. " s" end
  return (trouble ~= "" and trouble or "no answer") .. " since vehicle time " .. command.time_s .. " s; " .. told
end

--- What to do at time_s; `trouble` says what is wrong with the link, "" when nothing is.
function Net:now(time_s, trouble)
  self:at(time_s)
  trouble = trouble or ""
  if not finite(time_s) then
    trouble = "the vehicle's clock reads " .. tostring(time_s) .. (trouble ~= "" and "; " .. trouble or "")
    time_s = self.time_s + math.max(0, self.clock() - self.read_s)
  end
  if trouble == "" then trouble = self.flaw or "" end
  local command = self.command
  if not command then
    self.on = self.on and time_s - self.unknown_since_s <= self.stale_after_s
    local says = (trouble ~= "" and trouble or "no answer yet") .. "; engine "
    says = says .. (self.on and "as it is for a moment" or "off")
    if not finite(time_s) then time_s = 0 end
    return {time_s = time_s, throttle = self.throttle, engine_on = self.on, stale = true, says = says}
  end
  local age_s = time_s - command.time_s
  local stale = trouble ~= "" or age_s > math.max(command.next_contact_s, self.stale_after_s)
  if command.engine_on and not stale and self.cut_s and command.time_s > self.cut_s then self.cut_s = nil end
  local borne = lands(command) and self.contact_s
  if not self.cut_s and (borne or guidance.cutoff_now(command, time_s, self.tick_s)) then self.cut_s = time_s end
  local on, throttle, down = lit_at(command, time_s) and not self.cut_s, command.throttle, command.throttle_down
  if down and time_s + ROUNDING_S >= down.at_s then throttle = math.min(throttle, down.throttle) end
  if stale and not lands(command) then on, throttle = on and self.on, math.min(throttle, self.throttle) end
  self.on, self.throttle = on, throttle
  local seconds = stale and lands(command) and 0 or math.max(0, math.min(age_s, TURN_ON_S))
  local pitch_deg, heading_deg, pointing = turned(self.trail[1], command, seconds)
  return {
    time_s = time_s, pitch_deg = pitch_deg, heading_deg = heading_deg, pointing = pointing, throttle = throttle,
    engine_on = on, engines = command.engines, stale = stale, says = stale and sentence(command, on, trouble) or "", command = command,
  }
end

-- Two ways to the service: lines over LuaSocket, files through file_bridge.py ----------------------------------------

local Lines = {}
Lines.__index = Lines

function Lines:connect(timeout_s)
  local socket = require("socket")
  local line, problem = socket.connect(self.host, self.port)
  if not line then
    socket.sleep(math.min(0.2, timeout_s)) -- refused: perhaps the service is being started again
    return problem
  end
  line:setoption("tcp-nodelay", true)
  line:settimeout(timeout_s)
  self.socket = line
end

--- Send a message and return the reply that is its own, or nil.
function Lines:once(message, wanted)
  if not self.socket:send(guidance.encode(message) .. "\n") then return nil end
  while true do
    local line = self.socket:receive("*l") -- or nil, "timeout" or "closed"
    local whole, reply = pcall(guidance.decode, line or "")
    if not line or not whole or type(reply) ~= "table" then return nil end
    local mine = reply.seq == nil or reply.seq == message.seq -- else the late answer to an earlier state
    if mine and reply.type == "command" and guidance.flaw(reply) then return nil, reply end
    if mine and (reply.type == "fault" or reply.type == wanted) then return reply end
  end
end

function Lines:hang_up()
  if self.socket then self.socket:close() end
  self.socket = nil
end

local Files = {}
Files.__index = Files

local function read_file(path)
  local file = io.open(path, "rb")
  if not file then return nil end
  local text = file:read("*a")
  file:close()
  return text
end

function Files:connect(timeout_s)
  self.timeout_s = timeout_s
end

function Files:once(message, wanted)
  local name = "/command.json"
  if message.type == "open" then
    name = "/opened.json" -- file_bridge.py opens the session, and keeps the token
  else
    local new = self.folder .. "/state.json.new"
    local file = io.open(new, "wb")
    if not file then return nil end
    file:write(guidance.encode(message))
    file:close()
    if not os.rename(new, self.folder .. "/state.json") then -- where renaming onto a file is an error
      os.remove(self.folder .. "/state.json")
      os.rename(new, self.folder .. "/state.json")
    end
  end
  local clock = guidance.steady(system_clock(), 1)
  while clock() <= self.timeout_s do
    local whole, reply = pcall(guidance.decode, read_file(self.folder .. name) or "")
    if whole and reply.type == wanted and (wanted == "opened" or wanted == "closed") then return reply end
    if whole and message.seq and reply.seq == message.seq and reply.time_s == message.time_s then
      if reply.type == "command" and guidance.flaw(reply) then return nil, reply end
      return reply
    end
    if self.sleep then self.sleep(0.002) end -- plain Lua has none, and looks on
  end
end

function Files:hang_up() end

-- The client ---------------------------------------------------------------------------------------------------------

local Client = {}
Client.__index = Client

--- One vehicle's line to the service: "tcp://127.0.0.1:port", or "files:FOLDER" through file_bridge.py.
-- options: timeout_s (5) and tries (3) of a question; token_file, so that a script started again goes on; tick_s and
-- stale_after_s of the safety net; warn, which gets a sentence; sleep, which waits so many seconds (for files); clock,
-- which returns the seconds of a clock of real time that is never set back, if your simulator has one.
function guidance.new(address, options)
  options = options or {}
  local folder = address:match("^files:(.+)$")
  local host, port = address:match("^tcp://([^:]+):(%d+)$")
  if not folder and not (host and (host == "localhost" or host:match("^127%."))) then
    error('address: expected "tcp://127.0.0.1:port" (this machine only) or "files:FOLDER"; got ' .. tostring(address))
  end
  local link = setmetatable({host = host, port = port}, Lines)
  if folder then link = setmetatable({folder = folder, sleep = options.sleep}, Files) end
  return setmetatable({
    address = address, link = link, timeout_s = options.timeout_s or 5, tries = options.tries or 3,
    token_file = options.token_file, seq = 0, greeted = false,
    net = guidance.safety_net(options.tick_s, options.stale_after_s, options.clock), clock = options.clock,
    warn = options.warn or function(text) io.stderr:write("warning: " .. text .. "\n") end,
  }, Client)
end

--- Open the vehicle's session, or take one up again with `resume`: a table with vehicle, role, plan, and if you like
-- frame, resume, detail, clock (its name, shared with other scripts). Returns `opened`: read it.
function Client:open(request)
  self.open_message = {type = "open", protocol = PROTOCOL}
  for name, value in pairs(request) do self.open_message[name] = value end
  self.token = request.resume or (self.token_file and (read_file(self.token_file) or ""):match("%S+"))
  self.open_message.resume, self.greeted, self.stopped = nil, false, nil
  return self:ask(nil, "opened")
end

--- Send a state, return the command that answers it. seq and seen_event are filled in for you.
function Client:exchange(state)
  if self.stopped then error(self.stopped, 2) end
  if self.net:at(state.time_s, state) then self.done_event = nil end -- a save was reloaded: that event is undone
  self.seq = math.max(self.seq + 1, state.seq or 0)
  local message = {}
  for name, value in pairs(state) do message[name] = value end
  message.type, message.seq = "state", self.seq
  local command = self:ask(message, "command")
  self.net:take(command)
  self.net:now(command.time_s)
  return command
end

--- What to do at time_s, without asking: pitch_deg, heading_deg, pointing, throttle, engine_on, stale, says, command.
-- Also after `exchange` has failed: the engine is cut in time all the same.
function Client:now(time_s)
  if self.net:at(time_s) then self.done_event = nil end -- a save was reloaded
  return self.net:now(time_s, self.greeted and "" or "no answer from " .. self.address)
end

--- Say that an event was carried out; the next states carry its id, and the service stops repeating it.
function Client:done(event)
  self.done_event = event.id
end

--- End the session; the token is of no more use, and its file is removed.
function Client:close()
  self:ask({type = "close"}, "closed")
  self:hang_up()
  self.open_message, self.token = nil, nil
  if self.token_file then os.remove(self.token_file) end
end

--- Close the connection and leave the session open in the service; the next exchange takes it up again.
function Client:hang_up()
  self.link:hang_up()
  self.connected, self.greeted = false, false
end

--- Ask again over a new connection, with the token, until there is an answer; raises the fault, or a sentence.
function Client:ask(message, wanted)
  local clock, most_s = self.clock or guidance.steady(system_clock(), self.timeout_s + 1), self.tries * self.timeout_s
  local began_s, refused = clock(), 0
  repeat
    local reply, passed_over = self:try(message, wanted)
    if passed_over then self.net:take(passed_over) end -- which says so from then on
    if reply and reply.type == "fault" then
      setmetatable(reply, {__tostring = function(fault) return tostring(fault.message or fault.code) end})
      if reply.code == "taken_over" then self.stopped = reply end
      if reply.code ~= "no_session" or refused >= self.tries then error(reply, 3) end
      refused = refused + 1
    elseif reply then
      return reply
    end
    self:hang_up()
  until clock() - began_s > most_s
  error("no answer from " .. self.address .. " in " .. self.tries * self.timeout_s .. " s: is the service up? "
    .. "JSON lines are on port 5771", 3)
end

function Client:try(message, wanted)
  if not self.connected then
    if self.link:connect(self.timeout_s) then return nil end
    self.connected = true
  end
  if not self.greeted then
    self.open_message.resume = self.token
    local opened = self.link:once(self.open_message, "opened")
    if not opened or opened.type == "fault" then return opened end
    self:opened(opened)
    if wanted == "opened" then return opened end
  end
  if message.type == "state" and self.done_event then message.seen_event = message.seen_event or self.done_event end
  return self.link:once(message, wanted)
end

function Client:opened(opened)
  local shown = self.token
  self.token, self.resumed, self.greeted = opened.token, opened.resumed, true
  if self.token_file then
    local file = assert(io.open(self.token_file, "wb"))
    file:write(self.token)
    file:close()
  end
  for _, sentence in ipairs(opened.warnings or {}) do self.warn(sentence) end
  if not opened.resumed then
    self.done_event = nil -- the new session never announced that event
    if shown then self.warn("the service has no memory of this flight: its session began anew") end
  end
end

return guidance
