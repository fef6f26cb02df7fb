/* Fly the upper stage Curlew from separation to the height of the depot Lagoon, from C. (Invented vehicle.)
 *
 *     cc -std=c99 -I clients clients/examples/fly_upper_stage.c -lm -o fly_upper_stage
 *     ./fly_upper_stage [--guidance tcp://127.0.0.1:5771] [--vehicle tcp://127.0.0.1:5821]
 *         [--name Curlew] [--plan curlew_to_lagoon]
 *
 * For simulation and teaching only; do not connect it to a real vehicle. */
#include "guidance_client.h"

#define STEP_S 0.1

/* The simulated vehicle behind a socket, one JSON object a line. THIS IS THE PART TO REPLACE with calls into your own
 * simulator. It borrows the lines of the client. */
static struct gc_client line;

static void ask(const char *request) {
    if (!gc_send(&line, request) || !gc_receive(&line) || gc_field(line.line, "error")) {
        fprintf(stderr, "the simulated vehicle: %s\n", line.line);
        exit(1);
    }
}

static void attach(const char *name) {
    char text[128];
    snprintf(text, sizeof text, "{\"do\":\"attach\",\"vehicle\":\"%s\"}\n", name);
    for (ask(text); gc_field(line.line, "carried_by"); ask(text)) gc_wait(0.05); /* until Sandpiper lets go of it */
}

static struct gc_state seen(void) {
    struct gc_state s = gc_no_state();
    s.time_s = gc_number(line.line, "time_s");
    s.mass_kg = gc_number(line.line, "mass_kg");
    s.propellant_kg = gc_number(line.line, "propellant_kg");
    s.throttle = gc_number(line.line, "throttle");
    s.thrust_n = gc_number(line.line, "thrust_n");
    s.stage = (int)gc_number(line.line, "stage");
    s.engine_on = gc_true(line.line, "engine_on");
    gc_vector(line.line, "position_m", s.position_m);
    gc_vector(line.line, "velocity_m_s", s.velocity_m_s);
    gc_vector(line.line, "pointing", s.pointing);
    return s;
}

static void advance(const struct gc_command *c, double now_s, double seconds) {
    char text[1024], cutoff[40] = "null", event[80] = "";
    int on = c->engine_on && !gc_cutoff_now(c, now_s, 0.0);
    if (!isnan(c->cutoff_at_s)) snprintf(cutoff, sizeof cutoff, "%.17g", c->cutoff_at_s);
    if (strcmp(c->event_name, "ignite") == 0 || strcmp(c->event_name, "circularize") == 0)
        snprintf(event, sizeof event, ",\"ignite_at_s\":%.17g", c->event_at_s);
    snprintf(text, sizeof text,
             "{\"do\":\"advance\",\"seconds\":%.17g,\"controls\":{\"pointing\":[%.17g,%.17g,%.17g],\"engine_on\":%s,"
             "\"throttle\":%.17g,\"cutoff_at_s\":%s%s}}\n",
             seconds, c->pointing[0], c->pointing[1], c->pointing[2], on ? "true" : "false", c->throttle, cutoff,
             event);
    ask(text);
}

/* How far to fly before the next state: 10 Hz under power; else as far as the service allows, or to the event. */
static double seconds_to_fly(const struct gc_command *c) {
    double limit_s = c->next_contact_s;
    if (c->engine_on) return STEP_S;
    if (*c->event_id && c->event_at_s > c->time_s) limit_s = fmin(limit_s, c->event_at_s - c->time_s);
    return fmax(STEP_S, limit_s);
}

static const char *option(int count, char **given, const char *name, const char *otherwise) {
    for (int i = 1; i + 1 < count; i++)
        if (strcmp(given[i], name) == 0) return given[i + 1];
    return otherwise;
}

static int port_of(int count, char **given, const char *name, int otherwise) {
    const char *colon = strrchr(option(count, given, name, ""), ':');
    return colon ? atoi(colon + 1) : otherwise;
}

int main(int count, char **given) {
    static struct gc_client client;
    struct gc_command command;
    const char *name = option(count, given, "--name", "Curlew");
    const char *plan = option(count, given, "--plan", "curlew_to_lagoon");
    char phase[16] = "";
    gc_init(&line, "127.0.0.1", port_of(count, given, "--vehicle", 5821));
    line.timeout_s = 60.0;
    if (!gc_connect(&line))
        return fprintf(stderr, "no simulated vehicle at port %d: start `python -m guidance_svc.demo.vehicle`\n",
                       port_of(count, given, "--vehicle", 5821)), 1;
    attach(name);
    gc_init(&client, "127.0.0.1", port_of(count, given, "--guidance", 5771));
    if (gc_open(&client, name, "upper_stage", plan, NULL) != GC_OK)
        return fprintf(stderr, "%s\n", client.says), 1;

    for (;;) {
        struct gc_state state = seen();
        if (gc_exchange(&client, &state, &command) != GC_OK) return fprintf(stderr, "%s\n", client.says), 1;
        if (strcmp(phase, command.phase) != 0)
            printf("{\"time_s\": %.3f, \"phase\": \"%s\"}\n", state.time_s, command.phase);
        snprintf(phase, sizeof phase, "%s", command.phase);
        if (strcmp(phase, "orbit") == 0) break;
        advance(&command, state.time_s, seconds_to_fly(&command));
        if (*command.event_id && gc_number(line.line, "time_s") >= command.event_at_s)
            gc_done(&client, command.event_id);
    }
    gc_close(&client);
    printf("{\"status\": \"%s\", \"mass_kg\": %.3f}\n", command.status, gc_number(line.line, "mass_kg"));
    gc_hang_up(&line);
    return strcmp(command.status, "complete") != 0;
}
