/* Plays lines of {"do": "take" | "at" | "now", ...} to the safety net; prints what `now` says. For test_other_languages. */
#include "guidance_client.h"

static double real_s = 0.0;

static double clock_of_the_test(void) { return real_s; }

static void show(const char *name, double value) {
    if (isnan(value)) printf("\"%s\": null, ", name);
    else printf("\"%s\": %.17g, ", name, value);
}

int main(int count, char **given) {
    static struct gc_net net;
    static char line[GC_LINE];
    char what[8], trouble[80];
    struct gc_command command;
    if (count < 3) return 2;
    gc_net_init(&net, atof(given[1]), atof(given[2]));
    net.clock = clock_of_the_test;
    while (fgets(line, sizeof line, stdin)) {
        const char *state = gc_field(line, "state");
        gc_text(line, "do", what, sizeof what);
        if (gc_field(line, "real_s")) real_s = gc_number(line, "real_s");
        if (strcmp(what, "take") == 0) {
            if (gc_read_command(gc_field(line, "command"), &command)) gc_net_take(&net, &command);
            else gc_net_pass_over(&net);
        } else if (strcmp(what, "at") == 0) {
            int on = state && *state == '{' ? gc_true(state, "engine_on") : -1;
            gc_net_at(&net, gc_number(line, "time_s"), on, on < 0 ? NAN : gc_number(state, "throttle"));
            gc_net_contact(&net, state && gc_field(state, "contact") ? gc_true(state, "contact") : -1);
        } else {
            gc_text(line, "trouble", trouble, sizeof trouble);
            struct gc_told told = gc_net_now(&net, gc_number(line, "time_s"), trouble);
            printf("{");
            show("time_s", told.time_s);
            show("pitch_deg", told.pitch_deg);
            show("heading_deg", told.heading_deg);
            show("throttle", told.throttle);
            if (isnan(told.pointing[0])) printf("\"pointing\": null, ");
            else printf("\"pointing\": [%.17g, %.17g, %.17g], ", told.pointing[0], told.pointing[1], told.pointing[2]);
            show("engines", told.engines ? told.engines : NAN);
            printf("\"engine_on\": %s, \"stale\": %s, \"says\": \"%s\"}\n", told.engine_on ? "true" : "false",
                   told.stale ? "true" : "false", told.says);
        }
    }
    return 0;
}
