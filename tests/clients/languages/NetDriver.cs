// Plays lines of {"do": "take" | "at" | "now", ...} to the safety net; prints what Now says. For test_other_languages.
using System;
using System.Globalization;
using Guidance;
using Message = System.Collections.Generic.Dictionary<string, object>;

static class NetDriver
{
    static void Main(string[] given)
    {
        var invariant = CultureInfo.InvariantCulture;
        double realS = 0;
        var net = new SafetyNet(double.Parse(given[0], invariant), double.Parse(given[1], invariant), () => realS);
        string line;
        while ((line = Console.ReadLine()) != null)
        {
            var step = (Message)Json.Decode(line);
            if (step.ContainsKey("real_s")) realS = (double)step["real_s"];
            double time = step.ContainsKey("time_s") && step["time_s"] != null ? (double)step["time_s"] : double.NaN;
            if ((string)step["do"] == "take") net.Take((Message)step["command"]);
            else if ((string)step["do"] == "at") net.At(time, (Message)step["state"]);
            else
            {
                var told = net.Now(time, (string)step["trouble"]);
                told.Remove("command");
                Console.WriteLine(Json.Encode(told));
            }
        }
    }
}
