// Talk to the guidance service from C# (7 or later; .NET, .NET Framework or Mono). Copy this one file into your
// project; it needs no packages.
//
// The address is that of the service's JSON-lines port. There are no keys: the service's own machine only.
// For simulation and teaching only; do not connect it to a real vehicle.
//
//     var client = new GuidanceClient("tcp://127.0.0.1:5771");
//     var opened = client.Open("Curlew", "upper_stage", "curlew_to_lagoon");
//     var command = client.Exchange(state);        // waits for the answer
//     var now = client.Now(timeS);                 // between two answers: the law carried on to this time
//
// Messages are dictionaries with the field names of PROTOCOL.md; numbers are double, lists List<object>, null null.
// Cut the engine at command["cutoff_at_s"] on the vehicle's own clock, not when a reply happens to arrive; Now does it,
// also when the service is gone.
using System;
using System.Collections.Generic;
using System.Diagnostics;
using System.Globalization;
using System.IO;
using System.Linq;
using System.Net.Sockets;
using System.Text;
using System.Threading;

namespace Guidance
{
    using Message = Dictionary<string, object>;

    /// <summary>The service refused a message. Branch on Code; Field is its path.</summary>
    public sealed class Fault : Exception
    {
        public readonly string Code, Field, Expected, Got;

        public Fault(Message fault) : base(Text(fault, "message"))
        {
            Code = Text(fault, "code");
            Field = Text(fault, "field");
            Expected = Text(fault, "expected");
            Got = Text(fault, "got");
        }

        static string Text(Message fault, string name)
        {
            object found;
            return fault.TryGetValue(name, out found) ? found as string ?? "" : "";
        }
    }

    /// <summary>No answer: the service or the way to it is gone.</summary>
    public sealed class NoAnswer : Exception
    {
        public NoAnswer(string message) : base(message) { }
    }

    /// <summary>Messages as text: objects are Dictionary&lt;string, object&gt;, lists any sequence.</summary>
    public static class Json
    {
        public static string Encode(object value)
        {
            if (value == null) return "null";
            if (value is bool) return (bool)value ? "true" : "false";
            if (value is string) return Quoted((string)value);
            if (value is IDictionary<string, object>)
                return "{" + string.Join(",", ((IDictionary<string, object>)value).Select(
                    item => Quoted(item.Key) + ":" + Encode(item.Value))) + "}";
            if (value is System.Collections.IEnumerable)
            {
                var items = ((System.Collections.IEnumerable)value).Cast<object>();
                return "[" + string.Join(",", items.Select(Encode)) + "]";
            }
            if (value is double)
            {
                if (double.IsNaN((double)value) || double.IsInfinity((double)value))
                    throw new ArgumentException("a number that is not finite");
                return ((double)value).ToString("R", CultureInfo.InvariantCulture);
            }
            return Convert.ToString(value, CultureInfo.InvariantCulture);
        }

        public static object Decode(string text)
        {
            int at = 0;
            return Value(text, ref at);
        }

        private static string Quoted(string text)
        {
            var made = new StringBuilder("\"");
            foreach (char c in text)
            {
                if (c == '"' || c == '\\') made.Append('\\').Append(c);
                else if (c < ' ') made.AppendFormat("\\u{0:x4}", (int)c);
                else made.Append(c);
            }
            return made.Append('"').ToString();
        }

        private static char Next(string text, ref int at)
        {
            while (at < text.Length && char.IsWhiteSpace(text[at])) at++;
            if (at >= text.Length) throw new FormatException("JSON ends too early");
            return text[at];
        }

        private static object Value(string text, ref int at)
        {
            char first = Next(text, ref at);
            if (first == '"') return Text(text, ref at);
            if (first == '{') return Object(text, ref at);
            if (first == '[') return List(text, ref at);
            foreach (var word in new Message { { "null", null }, { "true", true }, { "false", false } })
                if (string.CompareOrdinal(text, at, word.Key, 0, word.Key.Length) == 0)
                {
                    at += word.Key.Length;
                    return word.Value;
                }
            int start = at;
            while (at < text.Length && "+-.eE0123456789".IndexOf(text[at]) >= 0) at++;
            return double.Parse(text.Substring(start, at - start), NumberStyles.Float, CultureInfo.InvariantCulture);
        }

        private static Message Object(string text, ref int at)
        {
            var made = new Message();
            for (at++; Next(text, ref at) != '}';)
            {
                string name = Text(text, ref at);
                if (Next(text, ref at) != ':') throw new FormatException("a name without value");
                at++;
                made[name] = Value(text, ref at);
                if (Next(text, ref at) == ',') at++;
            }
            at++;
            return made;
        }

        private static List<object> List(string text, ref int at)
        {
            var made = new List<object>();
            for (at++; Next(text, ref at) != ']';)
            {
                made.Add(Value(text, ref at));
                if (Next(text, ref at) == ',') at++;
            }
            at++;
            return made;
        }

        private static string Text(string text, ref int at)
        {
            var made = new StringBuilder();
            if (Next(text, ref at) != '"') throw new FormatException("no name where one should be");
            for (at++; at < text.Length && text[at] != '"'; at++)
            {
                if (text[at] != '\\') { made.Append(text[at]); continue; }
                at++;
                int plain = "nrtbf".IndexOf(text[at]);
                if (text[at] == 'u')
                {
                    made.Append((char)int.Parse(text.Substring(at + 1, 4), NumberStyles.HexNumber));
                    at += 4;
                }
                else made.Append(plain >= 0 ? "\n\r\t\b\f"[plain] : text[at]);
            }
            if (at >= text.Length) throw new FormatException("a text without end");
            at++;
            return made.ToString();
        }
    }

    /// <summary>What the vehicle does between two replies, and when none come any more: the last law, and never more
    /// than it. PROTOCOL.md, "A safety net of your own", has its rules. It goes by the vehicle's clock alone.</summary>
    public sealed class SafetyNet
    {
        const double RoundingS = 1e-6; // two clock readings nearer than this are one
        const double TurnOnS = 10; // of vehicle time that turning rates are applied after their command
        const double TrailS = 2; // of vehicle time over which the turning of `pointing` is taken
        const int MostTrail = 200; // commands kept for it
        static readonly string[] Numbers = { // of a command; all of them are needed
            "seq", "time_s", "pitch_deg", "heading_deg", "pitch_rate_deg_s", "heading_rate_deg_s", "throttle",
            "next_contact_s",
        };
        static readonly string[] Times = { "cutoff_at_s", "latest_off_at_s" }; // not both null while the engine is on
        static readonly Stopwatch Since = Stopwatch.StartNew();

        public Message Command; // the newest, or null
        readonly double tickS, staleAfterS;
        List<Message> trail = new List<Message>();
        readonly Func<double> clock; // of real time, for as long as the vehicle's clock reads no number
        double timeS = double.NegativeInfinity, unknownSinceS = double.NegativeInfinity, throttle, readS;
        double? cutS, contactS; // when it was cut; since when legs or arms bear, as the states say
        bool on;
        string passedOver = ""; // what was wrong with a command since the last good one

        public SafetyNet(double tickS = 0, double staleAfterS = 1, Func<double> clock = null)
        {
            this.tickS = tickS;
            this.staleAfterS = staleAfterS;
            this.clock = clock ?? (() => Since.Elapsed.TotalSeconds);
        }

        /// <summary>The first field of a command that is missing or not what PROTOCOL.md says; "" for none.</summary>
        public static string Flaw(Message command)
        {
            object found;
            foreach (string name in Numbers)
                if (!Finite(command, name)) return name;
            foreach (string name in Times)
                if (command.TryGetValue(name, out found) && found != null && !Finite(command, name)) return name;
            if (!command.ContainsKey("cutoff_at_s")) return "cutoff_at_s";
            if (!(command.TryGetValue("engine_on", out found) && found is bool)) return "engine_on";
            if ((bool)command["engine_on"] && double.IsInfinity(OffAtS(command))) return "latest_off_at_s";
            if (!(command.TryGetValue("phase", out found) && found is string)) return "phase";
            command.TryGetValue("pointing", out found);
            var pointing = found as List<object>;
            if (pointing == null || pointing.Count != 3 || !pointing.All(Finite)) return "pointing";
            if (command.TryGetValue("engines", out found) && found != null && !Finite(found)) return "engines";
            if (command.TryGetValue("cut_on_contact", out found) && !(found is bool)) return "cut_on_contact";
            if (!command.TryGetValue("throttle_down", out found) || found == null) return "";
            var down = found as Message;
            return down != null && Finite(down, "at_s") && Finite(down, "throttle") ? "" : "throttle_down";
        }

        /// <summary>Vehicle time from which the engine is off: the cutoff, or latest_off_at_s; infinity while it
        /// is off anyway.</summary>
        public static double OffAtS(Message command)
        {
            return Times.Where(name => Finite(command, name)).Select(name => Number(command, name))
                .DefaultIfEmpty(double.PositiveInfinity).Min();
        }

        /// <summary>Whether the engine must be off at this time; with a tick's length, at the nearest tick. Yes if
        /// the clock reads no number.</summary>
        public static bool CutoffNow(Message command, double timeS, double tickS = 0)
        {
            return !Finite(timeS) || timeS + 0.5 * tickS + RoundingS >= OffAtS(command);
        }

        /// <summary>Whether it is an order of a landing: its engine is cut by contact, and cutting it earlier is not
        /// safe.</summary>
        static bool Lands(Message command)
        {
            object found;
            return command.TryGetValue("cut_on_contact", out found) && true.Equals(found);
        }

        /// <summary>Whether the engine is ordered to burn; in a landing also by an ignition told ahead, from its time
        /// on.</summary>
        static bool LitAt(Message command, double time)
        {
            object found;
            command.TryGetValue("event", out found);
            var ahead = found as Message;
            if ((bool)command["engine_on"]) return true;
            if (!Lands(command) || ahead == null || !"ignite".Equals(ahead["name"]) || !Finite(ahead, "at_s")) return false;
            return !double.IsInfinity(OffAtS(command)) && time + RoundingS >= Number(ahead, "at_s");
        }

        static bool Finite(object value)
        {
            if (!(value is double || value is float || value is int || value is long)) return false;
            double number = Convert.ToDouble(value, CultureInfo.InvariantCulture);
            return !double.IsNaN(number) && !double.IsInfinity(number);
        }

        static bool Finite(Message message, string name)
        {
            object found;
            return message.TryGetValue(name, out found) && Finite(found);
        }

        /// <summary>Note the clock and the engine; true when the clock went back: what is later is dropped.</summary>
        public bool At(double time, Message state = null)
        {
            if (!Finite(time)) return false;
            readS = clock();
            bool back = time < timeS, first = double.IsNegativeInfinity(timeS);
            if (back)
            {
                trail = trail.Where(c => Number(c, "time_s") <= time).ToList();
                Command = trail.LastOrDefault();
                if (cutS > time) cutS = null;
                if (contactS > time) contactS = null;
            }
            if (back || first) unknownSinceS = time;
            object told;
            if (state != null && state.TryGetValue("contact", out told) && told is bool)
                contactS = (bool)told ? contactS ?? time : (double?)null;
            if (state != null && (back || Command == null))
            {
                on = state.TryGetValue("engine_on", out told) && true.Equals(told);
                throttle = Finite(state, "throttle") ? Number(state, "throttle") : 0;
            }
            timeS = time;
            return back;
        }

        /// <summary>Take a command, however late; one that is flawed or not newer than the last is passed over.</summary>
        public void Take(Message command)
        {
            string flaw = Flaw(command);
            if (flaw != "")
            {
                passedOver = "an answer was passed over, its " + flaw + " is missing or wrong";
                return;
            }
            if (Command != null && Number(command, "seq") <= Number(Command, "seq")) return;
            passedOver = "";
            double time = Number(command, "time_s");
            trail = trail.Skip(Math.Max(0, trail.Count - MostTrail)).Where(
                c => time > Number(c, "time_s") && time - Number(c, "time_s") <= TrailS
                    && (string)c["phase"] == (string)command["phase"]).ToList();
            trail.Add(command);
            Command = command;
        }

        /// <summary>What to do at a time; `trouble` says what is wrong with the link, "" when nothing is.</summary>
        public Message Now(double time, string trouble = "")
        {
            At(time);
            if (!Finite(time))
            {
                trouble = "the vehicle's clock reads no number" + (trouble != "" ? "; " + trouble : "");
                time = timeS + Math.Max(0, clock() - readS);
            }
            if (trouble == "") trouble = passedOver;
            if (Command == null)
            {
                if (!Finite(time)) time = 0;
                on = on && time - unknownSinceS <= staleAfterS;
                string why = (trouble != "" ? trouble : "no answer yet") + "; engine ";
                return Told(time, null, null, null, true, why + (on ? "as it is for a moment" : "off"));
            }
            double age = time - Number(Command, "time_s");
            bool stale = trouble != "" || age > Math.Max(Number(Command, "next_contact_s"), staleAfterS);
            bool landing = Lands(Command), borne = landing && contactS != null;
            if ((bool)Command["engine_on"] && !stale && Number(Command, "time_s") > cutS) cutS = null;
            if (cutS == null && (borne || CutoffNow(Command, time, tickS))) cutS = time;
            bool burn = LitAt(Command, time) && cutS == null;
            double push = Number(Command, "throttle");
            object down;
            if (Command.TryGetValue("throttle_down", out down) && down != null
                && time + RoundingS >= Number((Message)down, "at_s"))
                push = Math.Min(push, Number((Message)down, "throttle"));
            on = stale && !landing ? burn && on : burn;
            throttle = stale && !landing ? Math.Min(push, throttle) : push;
            double seconds = stale && landing ? 0 : Math.Max(0, Math.Min(age, TurnOnS));
            double pitch = Number(Command, "pitch_deg") + Number(Command, "pitch_rate_deg_s") * seconds;
            double heading = (Number(Command, "heading_deg") + Number(Command, "heading_rate_deg_s") * seconds) % 360;
            pitch = Math.Max(-90, Math.Min(90, pitch));
            heading = heading < 0 ? heading + 360 : heading;
            return Told(time, pitch, heading, Pointing(seconds), stale, stale ? Says(trouble) : "");
        }

        public static double Number(Message message, string name)
        {
            return Convert.ToDouble(message[name], CultureInfo.InvariantCulture);
        }

        static double[] Vector(Message command)
        {
            return ((List<object>)command["pointing"]).Select(Convert.ToDouble).ToArray();
        }

        Message Told(double time, object pitch, object heading, object pointing, bool stale, string says)
        {
            object engines = null;
            if (Command != null) Command.TryGetValue("engines", out engines);
            return new Message {
                { "time_s", time }, { "pitch_deg", pitch }, { "heading_deg", heading }, { "pointing", pointing },
                { "throttle", throttle }, { "engine_on", on }, { "engines", engines }, { "stale", stale },
                { "says", says }, { "command", Command },
            };
        }

        double[] Pointing(double seconds)
        {
            double[] last = Vector(Command), first = Vector(trail[0]);
            double span = Number(Command, "time_s") - Number(trail[0], "time_s");
            if (span <= 0 || seconds <= 0) return last;
            double[] moved = last.Select((x, i) => x + seconds / span * (x - first[i])).ToArray();
            double length = Math.Sqrt(moved.Sum(x => x * x));
            return length > 0 ? moved.Select(x => x / length).ToArray() : last;
        }

        string Says(string trouble)
        {
            string then = "engine off";
            string law = Lands(Command) ? "landing by the last order until contact or" : "flying on the last law until";
            if (on) then = law + " cutoff at " + Json.Encode(OffAtS(Command)) + " s";
            string what = trouble != "" ? trouble : "no answer";
            return what + " since vehicle time " + Json.Encode(Command["time_s"]) + " s; " + then;
        }
    }

    /// <summary>One vehicle's line to the service. TokenFile keeps the token: a script started again goes on.</summary>
    public sealed class GuidanceClient
    {
        public double TimeoutS = 5;
        public int Tries = 3;
        public string TokenFile;
        public string Token;
        public bool Resumed;
        public Fault Stopped; // taken over by another script; a new Open asks again
        public Action<string> Warn = text => Console.Error.WriteLine("warning: " + text);
        public readonly SafetyNet Net;
        readonly string address, host;
        readonly int port;
        TcpClient socket;
        StreamReader lines;
        Message openMessage;
        bool greeted;
        long seq;
        string doneEvent;

        public GuidanceClient(string address, double tickS = 0, double staleAfterS = 1)
        {
            string[] parts = address.Replace("tcp://", "").Split(':');
            if (parts.Length != 2 || !int.TryParse(parts[1], out port)
                || !(parts[0] == "localhost" || parts[0].StartsWith("127.", StringComparison.Ordinal)))
                throw new ArgumentException(
                    "address: expected \"tcp://127.0.0.1:port\", this machine only; got " + address);
            this.address = address;
            host = parts[0] == "localhost" ? "127.0.0.1" : parts[0];
            Net = new SafetyNet(tickS, staleAfterS);
        }

        /// <summary>Open the vehicle's session, or take one up with `resume`. Returns `opened`: read it.</summary>
        public Message Open(
            string vehicle, string role, object plan, Message frame = null, string resume = null, string clock = null)
        {
            openMessage = new Message {
                { "type", "open" }, { "protocol", 1 }, { "vehicle", vehicle }, { "role", role }, { "plan", plan },
                { "frame", frame ?? new Message() },
            };
            if (clock != null) openMessage["clock"] = clock;
            Token = resume ?? Stored();
            Stopped = null;
            HangUp();
            return Ask(null, "opened");
        }

        /// <summary>Send a state, return the command that answers it. `seq` and `seen_event` are filled in.</summary>
        public Message Exchange(Message state)
        {
            if (Stopped != null) throw Stopped;
            object time;
            state.TryGetValue("time_s", out time);
            if (time is double && Net.At((double)time, state)) doneEvent = null; // a save was reloaded
            seq++;
            var command = Ask(new Message(state) { ["type"] = "state", ["seq"] = seq }, "command");
            Net.Take(command);
            Net.Now(SafetyNet.Number(command, "time_s"));
            return command;
        }

        /// <summary>What to do at a time, without asking: pitch_deg, heading_deg, pointing, throttle, engine_on, engines (null:
        /// all), stale, says, command. Also after Exchange has failed: the engine is cut in time all the same.</summary>
        public Message Now(double timeS)
        {
            if (Net.At(timeS)) doneEvent = null;
            return Net.Now(timeS, greeted ? "" : "no answer from " + address);
        }

        /// <summary>Say that an event was carried out; the next states carry its id.</summary>
        public void Done(Message happened)
        {
            doneEvent = (string)happened["id"];
        }

        /// <summary>End the session and the connection; the token is of no more use, and its file is removed.</summary>
        public void Close()
        {
            Ask(new Message { { "type", "close" } }, "closed");
            HangUp();
            Token = null;
            if (TokenFile != null) File.Delete(TokenFile);
        }

        /// <summary>Close the connection and leave the session open; the next Exchange takes it up.</summary>
        public void HangUp()
        {
            if (socket != null) socket.Close();
            socket = null;
            greeted = false;
        }

        Message Ask(Message message, string wanted)
        {
            var asking = Stopwatch.StartNew(); // a clock that is never set back
            double mostS = Tries * TimeoutS;
            for (int pauseMs = 50; ; pauseMs = Math.Min(2 * pauseMs, 1000))
            {
                try
                {
                    if (!greeted)
                    {
                        var opened = Greet();
                        if (wanted == "opened") return opened;
                    }
                    if (wanted == "command" && doneEvent != null) message["seen_event"] = doneEvent;
                    return Once(message, wanted);
                }
                catch (Fault fault)
                {
                    if (fault.Code == "taken_over") Stopped = fault;
                    if (fault.Code != "no_session" || asking.Elapsed.TotalSeconds > mostS) throw;
                }
                catch (Exception gone) when (
                    gone is IOException || gone is SocketException || gone is FormatException || gone is OverflowException)
                {
                    if (asking.Elapsed.TotalSeconds > mostS)
                        throw new NoAnswer(
                            "no answer from " + address + ": is the service up? JSON lines are on port 5771");
                }
                HangUp();
                Thread.Sleep(pauseMs);
            }
        }

        Message Greet()
        {
            HangUp();
            int waitMs = (int)(1000 * TimeoutS);
            socket = new TcpClient { NoDelay = true, ReceiveTimeout = waitMs, SendTimeout = waitMs };
            socket.Connect(host, port);
            lines = new StreamReader(socket.GetStream(), new UTF8Encoding(false));
            string shown = Token;
            var opened = Once(shown == null ? openMessage : new Message(openMessage) { ["resume"] = shown }, "opened");
            if (!opened.ContainsKey("token") || !(opened["token"] is string)) throw new FormatException("no token");
            Token = (string)opened["token"];
            Resumed = (bool)opened["resumed"];
            greeted = true;
            if (TokenFile != null && Token != Stored()) File.WriteAllText(TokenFile, Token);
            object told;
            if (opened.TryGetValue("warnings", out told))
                foreach (object sentence in (List<object>)told) Warn((string)sentence);
            if (!Resumed)
            {
                doneEvent = null; // the new session never announced that event
                if (shown != null) Warn("the service has no memory of this flight: its session began anew");
            }
            return opened;
        }

        string Stored()
        {
            return TokenFile != null && File.Exists(TokenFile) ? File.ReadAllText(TokenFile).Trim() : null;
        }

        Message Once(Message message, string wanted)
        {
            byte[] text = new UTF8Encoding(false).GetBytes(Json.Encode(message) + "\n");
            socket.GetStream().Write(text, 0, text.Length);
            object mine = message.ContainsKey("seq") ? message["seq"] : null;
            while (true)
            {
                string line = lines.ReadLine();
                if (line == null) throw new IOException(address + " hung up");
                var reply = Json.Decode(line) as Message;
                if (reply == null) throw new FormatException("no message");
                object of = reply.ContainsKey("seq") ? reply["seq"] : null;
                bool late = of != null && (mine == null || Convert.ToInt64(of) != Convert.ToInt64(mine));
                if (late) continue; // the answer to an earlier state
                object type;
                reply.TryGetValue("type", out type);
                if ("fault".Equals(type)) throw new Fault(reply);
                if ("command".Equals(type) && SafetyNet.Flaw(reply) != "")
                {
                    Net.Take(reply); // which passes it over, and says so from then on
                    throw new FormatException("an answer whose " + SafetyNet.Flaw(reply) + " is missing or wrong");
                }
                if (wanted.Equals(type)) return reply;
            }
        }
    }
}
