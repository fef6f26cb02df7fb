/* Talk to the guidance service from C99 over POSIX sockets. Copy this one file next to your script and include it; it
 * needs nothing but the C library (link with -lm).
 *
 * The address is that of the service's JSON-lines port. There are no keys: the service's own machine only.
 * For simulation and teaching only; do not connect it to a real vehicle.
 *
 *     struct gc_client client;
 *     struct gc_state state = gc_no_state();
 *     struct gc_command command;
 *     gc_init(&client, "127.0.0.1", 5771);
 *     if (gc_open(&client, "Curlew", "upper_stage", "curlew_to_lagoon", NULL) != GC_OK) puts(client.says);
 *     ... fill state: time_s, position_m, velocity_m_s, mass_kg ...
 *     if (gc_exchange(&client, &state, &command) == GC_OK) ...      waits for the answer
 *     struct gc_told now = gc_now(&client, time_s);                 between two answers: the law carried on
 *
 * Fields have the names and units of PROTOCOL.md; NAN stands for null. Cut the engine at command.cutoff_at_s on the
 * vehicle's own clock, not when a reply happens to arrive; gc_now does it, also when the service is gone.
 * Numbers are read and written as in the "C" locale. */
#ifndef GUIDANCE_CLIENT_H
#define GUIDANCE_CLIENT_H

#ifndef _POSIX_C_SOURCE
#define _POSIX_C_SOURCE 200809L
#endif
#include <arpa/inet.h>
#include <math.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

#define GC_LINE 65536          /* longest message, bytes */
#define GC_ROUNDING_S 1e-6     /* two clock readings nearer than this are one */
#define GC_TURN_ON_S 10.0      /* of vehicle time that turning rates are applied after their command */
#define GC_TRAIL_S 2.0         /* of vehicle time over which the turning of `pointing` is taken */
#define GC_MOST_TRAIL 200      /* commands kept for it */

enum { GC_OK = 0, GC_FAULT = 1, GC_NO_ANSWER = 2 }; /* with GC_FAULT, client.code says which */

struct gc_state { /* NAN or -1: not told */
    double time_s, position_m[3], velocity_m_s[3], mass_kg;
    double propellant_kg, throttle, thrust_n, pointing[3];
    int stage, engine_on, contact, engines_lit;
};

struct gc_command {
    long long seq;
    double time_s, pitch_deg, heading_deg, pitch_rate_deg_s, heading_rate_deg_s, pointing[3], throttle;
    int engine_on;
    double time_to_cutoff_s, cutoff_at_s, latest_off_at_s, next_contact_s;
    char phase[16], status[24];
    char event_id[65], event_name[16]; /* empty: no event */
    double event_at_s;
    double throttle_down_at_s, throttle_down;
    int engines, cut_on_contact; /* how many engines burn, 0: all of them; 1: cut by contact, a landing */
};

struct gc_told { /* what to do now; pitch, heading and pointing are NAN before the first answer */
    double time_s, pitch_deg, heading_deg, pointing[3], throttle;
    int engine_on, engines, stale; /* engines: how many, 0: all of them */
    char says[320];
};

struct gc_net { /* the safety net: PROTOCOL.md, "A safety net of your own", has its rules */
    double tick_s, stale_after_s, time_s, unknown_since_s, cut_s, throttle, read_s;
    double contact_s; /* since when legs or arms bear, as the states say; NAN: they do not */
    double (*clock)(void); /* seconds of real time, for as long as the vehicle's clock reads no number */
    int engine_on, flawed; /* flawed: an answer was passed over since the last good one */
    int count;             /* of the trail; its last is the newest command */
    struct gc_command trail[GC_MOST_TRAIL + 1];
};

struct gc_client {
    char host[64], token[129], open_fields[512], done_event[65], code[40], says[512], line[GC_LINE], unread[GC_LINE];
    int port, fd, greeted, resumed, tries, taken_over;
    size_t unread_length;
    long long seq;
    double timeout_s;
    struct gc_net net;
};

/* JSON ------------------------------------------------------------------------------------------------------------- */

static inline const char *gc_skip_text(const char *at) { /* past the text whose first quote is at `at` */
    for (at++; *at && *at != '"'; at++)
        if (*at == '\\' && at[1]) at++;
    return *at ? at + 1 : at;
}

static inline const char *gc_skip_value(const char *at) { /* past any value */
    int depth = 0;
    while (*at) {
        if (*at == '"') {
            at = gc_skip_text(at);
            if (!depth) return at;
            continue;
        }
        if (*at == '{' || *at == '[') depth++;
        if (*at == '}' || *at == ']') {
            if (!depth) return at;
            at++;
            if (!--depth) return at;
            continue;
        }
        if (*at == ',' && !depth) return at;
        at++;
    }
    return at;
}

/* The value of a field of the object at `json`, or NULL. */
static inline const char *gc_field(const char *json, const char *name) {
    const char *at = json ? strchr(json, '{') : NULL;
    size_t length = strlen(name);
    if (!at || at != json + strspn(json, " \t\r\n")) return NULL;
    at++;
    for (;;) {
        at += strspn(at, " \t\r\n,");
        if (*at != '"') return NULL;
        const char *key = at + 1;
        at = gc_skip_text(at);
        int mine = (size_t)(at - key) == length + 1 && strncmp(key, name, length) == 0;
        at += strspn(at, " \t\r\n:");
        if (mine) return at;
        at = gc_skip_value(at);
    }
}

static inline double gc_number(const char *json, const char *name) { /* NAN for null or none */
    const char *at = gc_field(json, name);
    return at && (*at == '-' || (*at >= '0' && *at <= '9')) ? strtod(at, NULL) : NAN;
}

static inline int gc_true(const char *json, const char *name) {
    const char *at = gc_field(json, name);
    return at && strncmp(at, "true", 4) == 0;
}

static inline void gc_text(const char *json, const char *name, char *to, size_t room) { /* empty for null or none */
    const char *at = gc_field(json, name);
    size_t length = 0;
    if (at && *at == '"')
        for (at++; *at && *at != '"' && length + 1 < room; at++) {
            if (*at == '\\' && at[1]) at++; /* \u and the like lose their meaning; names have none */
            to[length++] = *at;
        }
    to[length] = 0;
}

static inline int gc_vector(const char *json, const char *name, double *to) {
    const char *at = gc_field(json, name);
    char *end;
    if (!at || *at != '[') return 0;
    for (int i = 0; i < 3; i++) {
        to[i] = strtod(++at, &end);
        if (end == at) return 0;
        at = end + strspn(end, " ");
    }
    return *at == ']';
}

static inline int gc_null(const char *at) { return !at || strncmp(at, "null", 4) == 0; }

/* The command at `json`; 0 for one with a field that is missing or not what PROTOCOL.md says. */
static inline int gc_read_command(const char *json, struct gc_command *c) {
    const char *event = gc_field(json, "event"), *down = gc_field(json, "throttle_down");
    const char *on = gc_field(json, "engine_on"), *phase = gc_field(json, "phase");
    memset(c, 0, sizeof *c);
    c->seq = (long long)gc_number(json, "seq");
    c->time_s = gc_number(json, "time_s");
    c->pitch_deg = gc_number(json, "pitch_deg");
    c->heading_deg = gc_number(json, "heading_deg");
    c->pitch_rate_deg_s = gc_number(json, "pitch_rate_deg_s");
    c->heading_rate_deg_s = gc_number(json, "heading_rate_deg_s");
    c->throttle = gc_number(json, "throttle");
    c->engine_on = gc_true(json, "engine_on");
    c->time_to_cutoff_s = gc_number(json, "time_to_cutoff_s");
    c->cutoff_at_s = gc_number(json, "cutoff_at_s");
    c->latest_off_at_s = gc_number(json, "latest_off_at_s");
    c->next_contact_s = gc_number(json, "next_contact_s");
    gc_text(json, "phase", c->phase, sizeof c->phase);
    gc_text(json, "status", c->status, sizeof c->status);
    gc_text(event, "id", c->event_id, sizeof c->event_id);
    gc_text(event, "name", c->event_name, sizeof c->event_name);
    c->event_at_s = gc_number(event, "at_s");
    c->throttle_down_at_s = gc_number(down, "at_s");
    c->throttle_down = gc_number(down, "throttle");
    const char *engines = gc_field(json, "engines"), *on_contact = gc_field(json, "cut_on_contact");
    c->engines = gc_null(engines) ? 0 : (int)gc_number(json, "engines");
    c->cut_on_contact = gc_true(json, "cut_on_contact");
    double needed = gc_number(json, "seq") + c->time_s + c->pitch_deg + c->heading_deg + c->pitch_rate_deg_s
                    + c->heading_rate_deg_s + c->throttle + c->next_contact_s;
    int whole = isfinite(needed) && gc_vector(json, "pointing", c->pointing) && phase && *phase == '"';
    whole = whole && (isfinite(c->cutoff_at_s) || (isnan(c->cutoff_at_s) && gc_null(gc_field(json, "cutoff_at_s"))));
    whole = whole && (isfinite(c->latest_off_at_s)
                      || (isnan(c->latest_off_at_s) && gc_null(gc_field(json, "latest_off_at_s"))));
    whole = whole && (gc_null(down) || isfinite(c->throttle_down_at_s + c->throttle_down));
    whole = whole && (gc_null(engines) || isfinite(gc_number(json, "engines")));
    whole = whole && (!on_contact || c->cut_on_contact || strncmp(on_contact, "false", 5) == 0);
    whole = whole && !(c->engine_on && isnan(c->cutoff_at_s) && isnan(c->latest_off_at_s));
    return whole && on && (c->engine_on || strncmp(on, "false", 5) == 0);
}

/* The safety net --------------------------------------------------------------------------------------------------- */

static inline double gc_clock(void) { /* of real time, never set back */
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

/* Vehicle time from which the engine is off: the cutoff, or `latest_off_at_s`; INFINITY while it is off anyway. */
static inline double gc_off_at_s(const struct gc_command *c) {
    double off_s = fmin(c->cutoff_at_s, c->latest_off_at_s); /* of one NAN: the other */
    return isnan(off_s) ? INFINITY : off_s;
}

/* Whether the engine must be off at this vehicle time; with the tick's length, at the tick nearest to the cutoff.
 * Yes if the clock reads no number. */
static inline int gc_cutoff_now(const struct gc_command *command, double time_s, double tick_s) {
    return !isfinite(time_s) || time_s + 0.5 * tick_s + GC_ROUNDING_S >= gc_off_at_s(command);
}

/* Whether the engine is ordered to burn; in a landing also by an ignition told ahead, from its time on. */
static inline int gc_lit_at(const struct gc_command *c, double time_s) {
    int ahead = c->cut_on_contact && strcmp(c->event_name, "ignite") == 0 && isfinite(gc_off_at_s(c));
    return c->engine_on || (ahead && time_s + GC_ROUNDING_S >= c->event_at_s);
}

static inline void gc_net_init(struct gc_net *net, double tick_s, double stale_after_s) {
    memset(net, 0, sizeof *net);
    net->tick_s = tick_s;
    net->stale_after_s = stale_after_s;
    net->time_s = net->unknown_since_s = -INFINITY;
    net->cut_s = net->contact_s = NAN;
    net->clock = gc_clock;
}

/* An answer could not be read: what came before it is flown on, as stale, until a good one comes. */
static inline void gc_net_pass_over(struct gc_net *net) { net->flawed = 1; }

/* Note the clock and the engine (-1: not told); 1 when the clock went back: what is of the later time is dropped. */
static inline int gc_net_at(struct gc_net *net, double time_s, int engine_on, double throttle) {
    if (!isfinite(time_s)) return 0;
    int back = time_s < net->time_s, first = net->time_s == -INFINITY;
    net->read_s = net->clock();
    if (back) {
        int kept = 0;
        for (int i = 0; i < net->count; i++)
            if (net->trail[i].time_s <= time_s) net->trail[kept++] = net->trail[i];
        net->count = kept;
        if (net->cut_s > time_s) net->cut_s = NAN;
        if (net->contact_s > time_s) net->contact_s = NAN;
    }
    if (back || first) net->unknown_since_s = time_s;
    if (engine_on >= 0 && (back || !net->count)) {
        net->engine_on = engine_on;
        net->throttle = isfinite(throttle) ? throttle : 0.0;
    }
    net->time_s = time_s;
    return back;
}

/* Note after gc_net_at whether legs or arms bear (-1: not told). */
static inline void gc_net_contact(struct gc_net *net, int contact) {
    if (contact == 0) net->contact_s = NAN;
    if (contact > 0 && isnan(net->contact_s)) net->contact_s = net->time_s;
}

/* Take a command, however late; one that is not newer than the last is passed over. */
static inline void gc_net_take(struct gc_net *net, const struct gc_command *command) {
    int kept = 0, from = net->count > GC_MOST_TRAIL ? net->count - GC_MOST_TRAIL : 0;
    if (net->count && command->seq <= net->trail[net->count - 1].seq) return;
    net->flawed = 0;
    for (int i = from; i < net->count; i++) {
        double age_s = command->time_s - net->trail[i].time_s;
        if (age_s > 0.0 && age_s <= GC_TRAIL_S && strcmp(net->trail[i].phase, command->phase) == 0)
            net->trail[kept++] = net->trail[i];
    }
    net->trail[kept] = *command;
    net->count = kept + 1;
}

static inline void gc_turn(const struct gc_net *net, const struct gc_command *c, double seconds, struct gc_told *told) {
    const struct gc_command *first = &net->trail[0];
    double moved[3], length = 0.0;
    told->pitch_deg = fmax(-90.0, fmin(90.0, c->pitch_deg + c->pitch_rate_deg_s * seconds));
    told->heading_deg = fmod(fmod(c->heading_deg + c->heading_rate_deg_s * seconds, 360.0) + 360.0, 360.0);
    memcpy(told->pointing, c->pointing, sizeof told->pointing);
    if (first == c || seconds <= 0.0) return;
    for (int i = 0; i < 3; i++) {
        moved[i] = c->pointing[i] + seconds / (c->time_s - first->time_s) * (c->pointing[i] - first->pointing[i]);
        length += moved[i] * moved[i];
    }
    for (int i = 0; i < 3 && length > 0.0; i++) told->pointing[i] = moved[i] / sqrt(length);
}

static inline void gc_say(const struct gc_command *c, const char *trouble, struct gc_told *told) {
    const char *what = *trouble ? trouble : "no answer";
    char then[80] = "engine off";
    const char *law = c->cut_on_contact ? "landing by the last order until contact or" : "flying on the last law until";
    if (told->engine_on) snprintf(then, sizeof then, "%s cutoff at %.3f s", law, gc_off_at_s(c));
    snprintf(told->says, sizeof told->says, "%.160s since vehicle time %.3f s; %s", what, c->time_s, then);
}

/* What to do at time_s; `trouble` says what is wrong with the link, "" when nothing is. */
static inline struct gc_told gc_net_now(struct gc_net *net, double time_s, const char *trouble) {
    struct gc_told told = {time_s, NAN, NAN, {NAN, NAN, NAN}, net->throttle, net->engine_on, 0, 1, ""};
    char clock_trouble[200];
    gc_net_at(net, time_s, -1, NAN);
    if (!isfinite(time_s)) {
        snprintf(clock_trouble, sizeof clock_trouble, "the vehicle's clock reads no number%s%.140s", *trouble ? "; " : "",
                 trouble);
        trouble = clock_trouble;
        time_s = net->time_s + fmax(0.0, net->clock() - net->read_s);
        told.time_s = isfinite(time_s) ? time_s : 0.0;
    }
    if (!*trouble && net->flawed) trouble = "an answer with a missing or wrong field was passed over";
    if (!net->count) {
        told.engine_on = net->engine_on = net->engine_on && time_s - net->unknown_since_s <= net->stale_after_s;
        snprintf(told.says, sizeof told.says, "%.160s; engine %s", *trouble ? trouble : "no answer yet",
                 told.engine_on ? "as it is for a moment" : "off");
        return told;
    }
    const struct gc_command *c = &net->trail[net->count - 1];
    double age_s = time_s - c->time_s;
    told.stale = *trouble || age_s > fmax(c->next_contact_s, net->stale_after_s);
    if (c->engine_on && !told.stale && c->time_s > net->cut_s) net->cut_s = NAN;
    int borne = c->cut_on_contact && !isnan(net->contact_s);
    if (isnan(net->cut_s) && (borne || gc_cutoff_now(c, time_s, net->tick_s))) net->cut_s = time_s;
    told.engine_on = gc_lit_at(c, time_s) && isnan(net->cut_s);
    told.engines = c->engines;
    told.throttle = c->throttle;
    if (time_s + GC_ROUNDING_S >= c->throttle_down_at_s) told.throttle = fmin(told.throttle, c->throttle_down);
    if (told.stale && !c->cut_on_contact) {
        told.engine_on = told.engine_on && net->engine_on;
        told.throttle = fmin(told.throttle, net->throttle);
    }
    if (told.stale) gc_say(c, trouble, &told);
    net->engine_on = told.engine_on;
    net->throttle = told.throttle;
    gc_turn(net, c, told.stale && c->cut_on_contact ? 0.0 : fmax(0.0, fmin(age_s, GC_TURN_ON_S)), &told);
    return told;
}

/* The client ------------------------------------------------------------------------------------------------------- */

static inline void gc_wait(double seconds) {
    struct timespec pause = {(time_t)seconds, (long)(1e9 * (seconds - floor(seconds)))};
    nanosleep(&pause, NULL);
}

static inline struct gc_state gc_no_state(void) {
    struct gc_state s = {NAN, {NAN, NAN, NAN}, {NAN, NAN, NAN}, NAN, NAN, NAN, NAN, {NAN, NAN, NAN}, -1, -1, -1, -1};
    return s;
}

/* One vehicle's line to the service; set timeout_s, tries, token (of an earlier run), net.tick_s after it as wanted. */
static inline void gc_init(struct gc_client *client, const char *host, int port) {
    memset(client, 0, sizeof *client);
    snprintf(client->host, sizeof client->host, "%s", host);
    client->port = port;
    client->fd = -1;
    client->tries = 3;
    client->timeout_s = 5.0;
    gc_net_init(&client->net, 0.0, 1.0);
}

/* Close the connection and leave the session open in the service; the next exchange takes it up again. */
static inline void gc_hang_up(struct gc_client *client) {
    if (client->fd >= 0) close(client->fd);
    client->fd = -1;
    client->greeted = 0;
    client->unread_length = 0;
}

static inline int gc_connect(struct gc_client *client) {
    struct sockaddr_in to = {0};
    double whole_s = floor(client->timeout_s);
    struct timeval most = {(time_t)whole_s, (suseconds_t)(1e6 * (client->timeout_s - whole_s))};
    int yes = 1;
    signal(SIGPIPE, SIG_IGN); /* or a service that is gone would end the script */
    to.sin_family = AF_INET;
    to.sin_port = htons((unsigned short)client->port);
    if (inet_pton(AF_INET, client->host, &to.sin_addr) != 1) return 0;
    client->fd = socket(AF_INET, SOCK_STREAM, 0);
    setsockopt(client->fd, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
    setsockopt(client->fd, SOL_SOCKET, SO_RCVTIMEO, &most, sizeof most);
    setsockopt(client->fd, SOL_SOCKET, SO_SNDTIMEO, &most, sizeof most);
    return connect(client->fd, (struct sockaddr *)&to, sizeof to) == 0;
}

/* The next line into client->line; 0 when none comes in time. */
static inline int gc_receive(struct gc_client *client) {
    for (;;) {
        char *end = memchr(client->unread, '\n', client->unread_length);
        if (end) {
            size_t length = (size_t)(end - client->unread);
            memcpy(client->line, client->unread, length);
            client->line[length] = 0;
            client->unread_length -= length + 1;
            memmove(client->unread, end + 1, client->unread_length);
            return 1;
        }
        if (client->unread_length == sizeof client->unread) return 0;
        ssize_t got = recv(client->fd, client->unread + client->unread_length,
                           sizeof client->unread - client->unread_length, 0);
        if (got <= 0) return 0;
        client->unread_length += (size_t)got;
    }
}

static inline int gc_send(struct gc_client *client, const char *text) {
    size_t length = strlen(text), sent = 0;
    while (sent < length) {
        ssize_t more = send(client->fd, text + sent, length - sent, 0);
        if (more <= 0) return 0;
        sent += (size_t)more;
    }
    return 1;
}

/* Send one message and wait for its own reply in client->line. */
static inline int gc_once(struct gc_client *client, const char *text, long long seq, const char *wanted) {
    char type[16];
    if (!gc_send(client, text)) return GC_NO_ANSWER;
    while (gc_receive(client)) {
        double of = gc_number(client->line, "seq");
        if (!isnan(of) && (long long)of != seq) continue; /* the late answer to an earlier state */
        gc_text(client->line, "type", type, sizeof type);
        if (strcmp(type, "fault") == 0) {
            gc_text(client->line, "code", client->code, sizeof client->code);
            gc_text(client->line, "message", client->says, sizeof client->says);
            client->taken_over = strcmp(client->code, "taken_over") == 0;
            return GC_FAULT;
        }
        if (strcmp(type, wanted) == 0) return GC_OK;
    }
    return GC_NO_ANSWER;
}

static inline int gc_greet(struct gc_client *client) {
    char text[1024], resume[160] = "";
    if (*client->token) snprintf(resume, sizeof resume, ",\"resume\":\"%s\"", client->token);
    snprintf(text, sizeof text, "{\"type\":\"open\",\"protocol\":1%s%s}\n", client->open_fields, resume);
    int result = gc_once(client, text, -1, "opened");
    if (result != GC_OK) return result;
    gc_text(client->line, "token", client->token, sizeof client->token);
    client->resumed = gc_true(client->line, "resumed");
    client->greeted = 1;
    if (!client->resumed) *client->done_event = 0; /* the new session never announced that event */
    return GC_OK;
}

/* Ask, again over new connections if need be, with the token. */
static inline int gc_ask(struct gc_client *client, const char *text, long long seq, const char *wanted) {
    double until = gc_clock() + client->tries * client->timeout_s, pause = 0.05;
    int result = GC_NO_ANSWER;
    do {
        if (client->fd >= 0 || gc_connect(client)) {
            result = client->greeted ? GC_OK : gc_greet(client);
            if (result == GC_OK && text) result = gc_once(client, text, seq, wanted);
            if (result == GC_OK || (result == GC_FAULT && strcmp(client->code, "no_session") != 0)) return result;
        }
        gc_hang_up(client);
        gc_wait(pause);
        pause = fmin(2.0 * pause, 1.0);
    } while (gc_clock() < until);
    if (result == GC_NO_ANSWER)
        snprintf(client->says, sizeof client->says, "no answer from port %d: is the service up? JSON lines: 5771",
                 client->port);
    return result;
}

/* Open the vehicle's session, or take one up again when client->token is set. `frame` is a JSON object, or NULL.
 * After GC_OK, client->line holds `opened`, client->token what to keep for a restart, client->resumed what it says. */
static inline int gc_open(struct gc_client *client, const char *vehicle, const char *role, const char *plan,
                   const char *frame) {
    snprintf(client->open_fields, sizeof client->open_fields,
             ",\"vehicle\":\"%s\",\"role\":\"%s\",\"plan\":\"%s\",\"frame\":%s", vehicle, role, plan,
             frame ? frame : "{}");
    client->taken_over = 0;
    gc_hang_up(client);
    return gc_ask(client, NULL, -1, "opened");
}

static inline size_t gc_add(char *text, size_t at, size_t room, const char *name, double value) {
    return isnan(value) ? at : at + (size_t)snprintf(text + at, room - at, ",\"%s\":%.17g", name, value);
}

static inline size_t gc_add_vector(char *text, size_t at, size_t room, const char *name, const double *v) {
    if (isnan(v[0])) return at;
    return at + (size_t)snprintf(text + at, room - at, ",\"%s\":[%.17g,%.17g,%.17g]", name, v[0], v[1], v[2]);
}

static inline void gc_state_text(const struct gc_client *client, const struct gc_state *s, char *text, size_t room) {
    size_t at = (size_t)snprintf(text, room, "{\"type\":\"state\",\"seq\":%lld", client->seq);
    at = gc_add(text, at, room, "time_s", s->time_s);
    at = gc_add(text, at, room, "mass_kg", s->mass_kg);
    at = gc_add_vector(text, at, room, "position_m", s->position_m);
    at = gc_add_vector(text, at, room, "velocity_m_s", s->velocity_m_s);
    at = gc_add(text, at, room, "propellant_kg", s->propellant_kg);
    at = gc_add(text, at, room, "throttle", s->throttle);
    at = gc_add(text, at, room, "thrust_n", s->thrust_n);
    at = gc_add_vector(text, at, room, "pointing", s->pointing);
    if (s->stage >= 0) at += (size_t)snprintf(text + at, room - at, ",\"stage\":%d", s->stage);
    if (s->engine_on >= 0)
        at += (size_t)snprintf(text + at, room - at, ",\"engine_on\":%s", s->engine_on ? "true" : "false");
    if (s->contact >= 0)
        at += (size_t)snprintf(text + at, room - at, ",\"contact\":%s", s->contact ? "true" : "false");
    if (s->engines_lit >= 0) at += (size_t)snprintf(text + at, room - at, ",\"engines_lit\":%d", s->engines_lit);
    if (*client->done_event)
        at += (size_t)snprintf(text + at, room - at, ",\"seen_event\":\"%s\"", client->done_event);
    snprintf(text + at, room - at, "}\n");
}

/* Send a state and wait for the command that answers it; `seq` and `seen_event` are filled in. */
static inline int gc_exchange(struct gc_client *client, const struct gc_state *s, struct gc_command *command) {
    char text[2048]; /* a state with all its fields has at most 900 bytes */
    if (client->taken_over) return GC_FAULT; /* another script flies this vehicle: gc_open takes it back */
    if (gc_net_at(&client->net, s->time_s, s->engine_on, s->throttle)) *client->done_event = 0; /* a reloaded save */
    gc_net_contact(&client->net, s->contact);
    client->seq++;
    int acknowledges = *client->done_event != 0;
    gc_state_text(client, s, text, sizeof text);
    int result = gc_ask(client, text, client->seq, "command");
    if (result == GC_FAULT && acknowledges && !*client->done_event) { /* the session began anew in between */
        gc_state_text(client, s, text, sizeof text);
        result = gc_ask(client, text, client->seq, "command");
    }
    if (result != GC_OK) return result;
    if (!gc_read_command(client->line, command)) {
        gc_net_pass_over(&client->net);
        snprintf(client->says, sizeof client->says, "an answer with a missing or wrong field was passed over");
        return GC_NO_ANSWER;
    }
    gc_net_take(&client->net, command);
    gc_net_now(&client->net, command->time_s, "");
    return GC_OK;
}

/* What to do at time_s, without asking; also after gc_exchange has failed: the engine is cut in time all the same. */
static inline struct gc_told gc_now(struct gc_client *client, double time_s) {
    if (gc_net_at(&client->net, time_s, -1, NAN)) *client->done_event = 0;
    return gc_net_now(&client->net, time_s, client->greeted ? "" : "no answer");
}

/* Say that an event was carried out; the next states carry its id, and the service stops repeating it. */
static inline void gc_done(struct gc_client *client, const char *event_id) {
    snprintf(client->done_event, sizeof client->done_event, "%s", event_id);
}

/* End the session and the connection; the token is of no more use. */
static inline int gc_close(struct gc_client *client) {
    int result = gc_ask(client, "{\"type\":\"close\"}\n", -1, "closed");
    gc_hang_up(client);
    *client->token = 0;
    return result;
}

#endif
