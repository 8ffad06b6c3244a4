/*
 * Every vector of the notes through the companion, each written out as it came; then instructions a frame and a
 * turn of the application, and the deepest stack. The status is the number of vectors that are wrong, at most 98.
 */
#include "app.h"
#include "board.h"
#include "plantigrade_info.h"
#include "plantigrade_insole.h"

#define CLOCK_US 16909060u /* of the answers: wire_format.md, section 7 */
#define MOST_STATUS 98u
#define PUSHES 1000u
#define KNOWN_INSTRUCTIONS 100000u

static pg_insole insole;
static uint8_t out[PG_MAX_VALUE];
static uint32_t passed, refused, wrong;

static const pg_config ANSWERING = {.foot = PG_LEFT, .sample_format = PG_PACKED12, .zones = 18u, .frames = 2u,
                                    .period_us = 10000u, .min_period_us = 2500u, .length_mm = 270u,
                                    .firmware = 0x0100u, .serial = 1u};

static void say_result(const char *label, uint32_t value)
{
    board_say(label);
    board_say(" ");
    board_say_number(value);
    board_say("\n");
}

static bool same(const uint8_t *a, const uint8_t *b, size_t length)
{
    for (size_t k = 0u; k < length; k++) {
        if (a[k] != b[k]) {
            return false;
        }
    }
    return true;
}

/* Hold the bytes in `out` against the vector's, and print them. */
static void hold(const char *name, size_t length, const uint8_t *want, size_t want_length)
{
    const bool right = (length == want_length) && same(out, want, length);
    board_say(right ? "vector " : "WRONG ");
    board_say(name);
    board_say(" ");
    for (size_t k = 0u; k < length; k++) {
        board_say_byte(out[k]);
    }
    board_say("\n");
    passed += right ? 1u : 0u;
    wrong += right ? 0u : 1u;
}

static void begin(const pg_config *config)
{
    if (!pg_init(&insole, config)) {
        board_say("impossible configuration\n");
        board_leave(BOARD_FAULT);
    }
    pg_set_battery(&insole, 87u, false);
}

static size_t write_data(const pg_header *header, const uint16_t *counts)
{
    size_t length = PG_HEADER_BYTES;
    pg_write_header(out, header);
    for (size_t frame = 0u; frame < header->frames; frame++) {
        length += pg_write_frame(out + length, counts + frame * header->zones, header->zones, header->sample_format);
    }
    return length;
}

/* A request of the host, read and said again: kind, token, value. */
static size_t read_again(const uint8_t *bytes, size_t length)
{
    pg_request request;
    uint8_t status;
    if (!pg_read_request(bytes, length, &request, &status) || (status != PG_DONE)) {
        return 0u;
    }
    out[0] = request.kind;
    out[1] = request.token;
    pg_put16(out + 2, request.value);
    return 4u;
}

static size_t answer(bool charging, bool subscribed, const uint8_t *request, size_t length)
{
    begin(&ANSWERING);
    pg_set_charging(&insole, charging);
    pg_set_subscribed(&insole, subscribed);
    return pg_control(&insole, CLOCK_US, request, length, out);
}

/* A message that is wrong must not be obeyed: no "done", and what the insole says of itself stays. */
static void refuse(const char *name, const uint8_t *bytes, size_t length)
{
    static const uint8_t IDENTIFY[] = {1u, PG_KIND_IDENTIFY, 0u, 0u};
    uint8_t before[PG_MAX_REPLY];
    size_t said;
    begin(&ANSWERING);
    (void)pg_control(&insole, CLOCK_US, IDENTIFY, sizeof IDENTIFY, before);
    said = pg_control(&insole, CLOCK_US, bytes, length, out);
    if ((said == 0u) || ((said == 5u) && (out[1] == PG_KIND_ACK) && (out[4] != PG_DONE))) {
        (void)pg_control(&insole, CLOCK_US, IDENTIFY, sizeof IDENTIFY, out);
        if (same(before, out, sizeof before)) {
            refused++;
            return;
        }
    }
    board_say("WRONG obeyed ");
    board_say(name);
    board_say("\n");
    wrong++;
}

#include "vectors.inc" /* run.py makes it from the vectors: static void all_vectors(void) */

/* Frames through the queue and out of it, as the main loop does. */
static __attribute__((noinline)) void stream(const pg_config *config, uint32_t frames)
{
    static uint16_t counts[PG_MAX_ZONES];
    for (uint16_t zone = 0u; zone < PG_MAX_ZONES; zone++) {
        counts[zone] = (uint16_t)(zone * 60u);
    }
    begin(config);
    pg_start(&insole);
    for (uint32_t k = 0u; k < frames; k++) {
        size_t length;
        (void)pg_push_frame(&insole, k * config->period_us, counts);
        if (pg_packet(&insole, &length) != NULL) {
            pg_packet_done(&insole);
        }
    }
    if (pg_frames_dropped(&insole) != 0u) {
        board_say("frames dropped\n");
        board_leave(BOARD_FAULT);
    }
}

/* Two instructions a turn, so that a tick can be told in instructions. */
static __attribute__((noinline)) void known_instructions(void)
{
    uint32_t turns = KNOWN_INSTRUCTIONS / 2u;
    __asm__ volatile("1: subs %0, %0, #1\n bne 1b" : "+r"(turns) : : "cc");
}

/* Say how many instructions each of PUSHES calls took, by the ticks that they took together. */
static void say_instructions(const char *label, uint32_t taken)
{
    board_start_ticks();
    known_instructions();
    say_result(label, taken * (KNOWN_INSTRUCTIONS / PUSHES) / board_ticks());
}

static void count_instructions(const char *label, const pg_config *config)
{
    board_start_ticks();
    stream(config, PUSHES);
    say_instructions(label, board_ticks());
}

static void count_turns(const char *label, void (*turns)(uint32_t))
{
    board_start_ticks();
    turns(PUSHES);
    say_instructions(label, board_ticks());
}

static void find_stack(void)
{
    static const pg_zone TABLE[] = {{PG_HEEL, 5000u, 1000u, 1000u}};
    static const pg_information TABLED = {.zones = 1u, .bits = 12u, .table = TABLE, .length_mm = 270u, .width_mm = 90u};
    static const uint16_t VALUES[] = {100u};
    static const pg_curve CURVED = {.calibration = 1u, .points = 1u, .zones = 1u,
                                    .counts = VALUES, .zeros = VALUES, .pressures = VALUES};
    static const uint8_t REQUESTS[][5] = {{1u, PG_KIND_IDENTIFY, 5u, 10u}, {1u, PG_KIND_RATE, 3u, 0x88u, 0x13u},
                                          {1u, PG_KIND_FRAMES, 4u, 6u},    {1u, PG_KIND_TIME, 2u},
                                          {1u, PG_KIND_START, 1u},         {1u, PG_KIND_STOP, 0u}};
    static const uint8_t LENGTHS[] = {4u, 5u, 4u, 3u, 3u, 3u};
    board_paint_stack();
    for (size_t k = 0u; k < sizeof LENGTHS; k++) {
        (void)pg_control(&insole, 1u, REQUESTS[k], LENGTHS[k], out);
    }
    stream(&ANSWERING, 4u);
    pg_set_mtu(&insole, 23u);
    pg_set_charging(&insole, true);
    pg_link_lost(&insole);
    pg_read_status(&insole, 0u, 0u, out);
    pg_read_announcement(&insole, out);
    (void)pg_write_information(out, sizeof out, &TABLED);
    (void)pg_write_curve(out, sizeof out, &CURVED);
    app_all();
    say_result("stack_bytes", board_stack_used());
}

uint32_t board_run(void)
{
    static const pg_config WORDS = {.foot = PG_LEFT, .sample_format = PG_U16, .zones = 18u, .frames = 2u,
                                    .period_us = 10000u, .min_period_us = 2500u};
    static const pg_config MOST = {.foot = PG_LEFT, .sample_format = PG_U16, .zones = PG_MAX_ZONES, .frames = 1u,
                                   .period_us = 10000u, .min_period_us = 2500u};
    all_vectors();
    say_result("passed", passed);
    say_result("refused", refused);
    say_result("wrong", wrong);
    count_instructions("instructions_per_frame_18_zones_packed12", &ANSWERING);
    count_instructions("instructions_per_frame_18_zones_u16", &WORDS);
    count_instructions("instructions_per_frame_64_zones_u16", &MOST);
    count_turns("instructions_per_streaming_turn", app_stream);
    count_turns("instructions_per_idle_turn", app_idle);
    find_stack();
    say_result("application_ram_bytes", app_ram_bytes());
    return (wrong < MOST_STATUS) ? wrong : MOST_STATUS;
}
