// Fly the upper stage Curlew from separation to the height of the depot Lagoon, from C#. (Invented vehicle.)
//
//     mcs -out:FlyUpperStage.exe clients/GuidanceClient.cs clients/examples/FlyUpperStage.cs
//     mono FlyUpperStage.exe [--guidance tcp://127.0.0.1:5771] [--vehicle tcp://127.0.0.1:5821]
//         [--name Curlew] [--plan curlew_to_lagoon]
//
// For simulation and teaching only; do not connect it to a real vehicle.
using System;
using System.Collections.Generic;
using System.IO;
using System.Linq;
using System.Net.Sockets;
using System.Text;
using System.Threading;
using Guidance;
using Message = System.Collections.Generic.Dictionary<string, object>;

/// <summary>The simulated vehicle behind a socket. THIS IS THE PART TO REPLACE with calls into your own.</summary>
sealed class SimulatedVehicle
{
    readonly StreamReader lines;
    readonly Stream stream;

    public SimulatedVehicle(string address)
    {
        var socket = new TcpClient("127.0.0.1", int.Parse(address.Substring(address.LastIndexOf(':') + 1)));
        socket.NoDelay = true;
        stream = socket.GetStream();
        lines = new StreamReader(stream);
    }

    public Message Ask(Message request)
    {
        byte[] text = Encoding.UTF8.GetBytes(Json.Encode(request) + "\n");
        stream.Write(text, 0, text.Length);
        var answer = (Message)Json.Decode(lines.ReadLine());
        if (answer.ContainsKey("error")) throw new InvalidOperationException((string)answer["error"]);
        return answer;
    }

    public Message Attach(string name)
    {
        var request = new Message { { "do", "attach" }, { "vehicle", name } };
        var answer = Ask(request);
        for (; answer.ContainsKey("carried_by"); answer = Ask(request)) Thread.Sleep(50);
        return answer;
    }
}

static class FlyUpperStage
{
    const double StepS = 0.1;

    static readonly string[] StateFields = {
        "time_s", "position_m", "velocity_m_s", "mass_kg", "propellant_kg", "stage", "engine_on", "throttle",
        "thrust_n", "pointing",
    };

    // What each event asks of the vehicle; the others only tell what comes next.
    static readonly Dictionary<string, string> VehicleActions = new Dictionary<string, string> {
        { "ignite", "ignite" }, { "cutoff", "cutoff" }, { "circularize", "ignite" },
    };

    static int Main(string[] given)
    {
        try { return Fly(given); }
        catch (SocketException problem)
        {
            Console.Error.WriteLine(problem.Message
                + ": start `python -m guidance_svc.demo.vehicle` (or give --vehicle) and `guidance-svc serve`");
            return 1;
        }
        catch (Exception problem)
        {
            Console.Error.WriteLine(problem.Message);
            return 1;
        }
    }

    static int Fly(string[] given)
    {
        string name = Option(given, "--name", "Curlew");
        var vehicle = new SimulatedVehicle(Option(given, "--vehicle", "tcp://127.0.0.1:5821"));
        var seen = vehicle.Attach(name); // waits until Sandpiper lets go of it
        var client = new GuidanceClient(Option(given, "--guidance", "tcp://127.0.0.1:5771"));
        var opened = client.Open(name, "upper_stage", Option(given, "--plan", "curlew_to_lagoon"));
        foreach (object sentence in (List<object>)opened["phases"]) Console.Error.WriteLine(sentence);

        string phase = "";
        while (true)
        {
            var command = client.Exchange(StateFields.ToDictionary(field => field, field => State(seen, field)));
            if ((string)command["phase"] != phase)
                Console.WriteLine(Json.Encode(
                    new Message { { "time_s", seen["time_s"] }, { "phase", command["phase"] } }));
            phase = (string)command["phase"];
            if (phase == "orbit") return Ended(client, command, seen);

            // Do what it says; and, ahead of time, what to do on the vehicle's own clock.
            bool on = (bool)command["engine_on"];
            var controls = new Message {
                { "pointing", command["pointing"] }, { "throttle", command["throttle"] },
                { "engine_on", on && !SafetyNet.CutoffNow(command, SafetyNet.Number(seen, "time_s")) },
                { "cutoff_at_s", command["cutoff_at_s"] },
            };
            var next = (Message)command["event"];
            string action = null;
            if (next != null && VehicleActions.TryGetValue((string)next["name"], out action))
                controls[action + "_at_s"] = next["at_s"];
            seen = vehicle.Ask(new Message {
                { "do", "advance" }, { "seconds", SecondsToFly(command, next) }, { "controls", controls },
            });
            if (next != null && SafetyNet.Number(seen, "time_s") >= SafetyNet.Number(next, "at_s")) client.Done(next);
        }
    }

    static object State(Message seen, string name)
    {
        return name == "stage" ? (object)Convert.ToInt32(seen[name]) : seen[name];
    }

    // How far to fly before the next state: 10 Hz under power; else as far as the service allows, or to the event.
    static double SecondsToFly(Message command, Message next)
    {
        if ((bool)command["engine_on"]) return StepS;
        double limit = SafetyNet.Number(command, "next_contact_s");
        double untilEvent = next == null ? 0 : SafetyNet.Number(next, "at_s") - SafetyNet.Number(command, "time_s");
        return Math.Max(StepS, untilEvent > 0 ? Math.Min(untilEvent, limit) : limit);
    }

    static int Ended(GuidanceClient client, Message command, Message seen)
    {
        client.Close();
        Console.WriteLine(Json.Encode(new Message {
            { "status", command["status"] }, { "warnings", command["warnings"] }, { "mass_kg", seen["mass_kg"] },
        }));
        return (string)command["status"] == "complete" ? 0 : 1;
    }

    static string Option(string[] given, string name, string otherwise)
    {
        int at = Array.IndexOf(given, name);
        return at < 0 ? otherwise : given[at + 1];
    }
}
