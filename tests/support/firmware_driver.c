/*
 * Drives the firmware companion from a script: one operation a line on standard input, one line of answer on
 * standard output. test_firmware.py writes the scripts and knows the answers.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "plantigrade_info.h"
#include "plantigrade_insole.h"

static pg_config config;
static pg_insole insole;

static unsigned long number(void)
{
    const char *const word = strtok(NULL, " \n");
    if (word == NULL) {
        fputs("driver: a number is missing\n", stderr);
        exit(2);
    }
    return strtoul(word, NULL, 10);
}

static uint8_t number8(void)
{
    return (uint8_t)number();
}

static uint16_t number16(void)
{
    return (uint16_t)number();
}

static uint32_t number32(void)
{
    return (uint32_t)number();
}

static void print_hex(const uint8_t *bytes, size_t length)
{
    if (length == 0u) {
        putchar('-');
    }
    for (size_t k = 0u; k < length; k++) {
        printf("%02x", bytes[k]);
    }
    putchar('\n');
}

/* Blocks of exactly the size asked for, so that the address sanitizer sees one byte too many. */
static void *block(size_t bytes)
{
    void *const made = malloc(bytes == 0u ? 1u : bytes);
    if (made == NULL) {
        exit(3);
    }
    return made;
}

static void do_init(void)
{
    config.foot = number8();
    config.sample_format = number8();
    config.zones = number8();
    config.frames = number8();
    config.period_us = number16();
    config.min_period_us = number16();
    config.length_mm = number16();
    config.firmware = number16();
    config.serial = number32();
    memset(&insole, 0xA5, sizeof insole); /* as memory may be found after a reset */
    printf("%d\n", pg_init(&insole, &config));
}

static void do_frame(void)
{
    const uint32_t clock_us = number32();
    uint16_t *const counts = block(config.zones * sizeof *counts);
    for (uint8_t zone = 0u; zone < config.zones; zone++) {
        counts[zone] = number16();
    }
    printf("%d\n", pg_push_frame(&insole, clock_us, counts));
    free(counts);
}

static void do_control(void)
{
    const uint32_t clock_us = number32();
    const char *const hex = strtok(NULL, " \n");
    const size_t length = (hex == NULL) ? 0u : strlen(hex) / 2u;
    uint8_t *const request = block(length);
    uint8_t *const reply = block(PG_MAX_REPLY);
    for (size_t k = 0u; k < length; k++) {
        unsigned int byte = 0u;
        if (sscanf(hex + 2u * k, "%2x", &byte) != 1) {
            exit(2);
        }
        request[k] = (uint8_t)byte;
    }
    memset(reply, 0xA5, PG_MAX_REPLY);
    print_hex(reply, pg_control(&insole, clock_us, request, length, reply));
    free(request);
    free(reply);
}

static void do_packet(void)
{
    size_t length;
    const uint8_t *const bytes = pg_packet(&insole, &length);
    print_hex(bytes, length);
}

static void do_data(void)
{
    pg_header header;
    header.foot = number8();
    header.sample_format = number8();
    header.flags = number8();
    header.counter = number32();
    header.clock_us = number32();
    header.period_us = number16();
    header.zones = number8();
    header.frames = number8();
    const size_t bytes = pg_frame_bytes(header.zones, header.sample_format);
    const size_t total = PG_HEADER_BYTES + header.frames * bytes;
    uint8_t *const out = block(total);
    uint16_t *const counts = block(header.zones * sizeof *counts);
    memset(out, 0xA5, total);
    pg_write_header(out, &header);
    for (size_t frame = 0u; frame < header.frames; frame++) {
        for (uint8_t zone = 0u; zone < header.zones; zone++) {
            counts[zone] = number16();
        }
        if (pg_write_frame(out + PG_HEADER_BYTES + frame * bytes, counts, header.zones, header.sample_format) !=
            bytes) {
            exit(4);
        }
    }
    print_hex(out, total);
    free(out);
    free(counts);
}

static void do_fit(void)
{
    const uint8_t frames = number8();
    const uint8_t zones = number8();
    printf("%d\n", pg_frames_fit(frames, zones, number8()));
}

static void do_ack(void)
{
    pg_request request;
    uint8_t *const out = block(5u);
    request.token = number8();
    request.kind = number8();
    request.value = 0u;
    print_hex(out, pg_write_ack(out, &request, number8()));
    free(out);
}

static void do_identity(void)
{
    pg_identity identity;
    uint8_t *const out = block(PG_MAX_REPLY);
    const uint8_t token = number8();
    identity.foot = number8();
    identity.sample_format = number8();
    identity.zones = number8();
    identity.frames = number8();
    identity.period_us = number16();
    identity.battery_percent = number8();
    identity.streaming = number8() != 0u;
    identity.firmware = number16();
    identity.serial = number32();
    print_hex(out, pg_write_identity(out, token, &identity));
    free(out);
}

static void do_clock(void)
{
    uint8_t *const out = block(7u);
    const uint8_t token = number8();
    print_hex(out, pg_write_clock(out, token, number32()));
    free(out);
}

/* Room to spare is given, so that only what the function says of its bytes is looked at. */
static void do_information(void)
{
    pg_information information;
    pg_zone table[PG_MAX_ZONES];
    uint8_t *const out = block(PG_MAX_VALUE);
    const size_t room = number();
    information.zones = number8();
    information.bits = number8();
    information.table = (number8() == 0u) ? table : NULL;
    information.hardware = number16();
    information.firmware = number16();
    information.calibration = number32();
    information.points = number8();
    if (information.table != NULL) {
        information.length_mm = number16();
        information.width_mm = number16();
        for (uint8_t zone = 0u; zone < information.zones && zone < PG_MAX_ZONES; zone++) {
            table[zone].region = number8();
            table[zone].x = number16();
            table[zone].y = number16();
            table[zone].area_mm2 = number16();
        }
    }
    print_hex(out, pg_write_information(out, room, &information));
    free(out);
}

static uint16_t *numbers16(size_t n)
{
    uint16_t *const made = block(n * sizeof *made);
    for (size_t k = 0u; k < n; k++) {
        made[k] = number16();
    }
    return made;
}

static void do_curve(void)
{
    pg_curve curve;
    uint8_t *const out = block(PG_MAX_VALUE);
    const size_t room = number();
    curve.calibration = number32();
    curve.points = number8();
    curve.zones = number8();
    uint16_t *const counts = numbers16(curve.points);
    uint16_t *const zeros = numbers16(curve.zones);
    uint16_t *const pressures = numbers16((size_t)curve.points * curve.zones);
    curve.counts = counts;
    curve.zeros = zeros;
    curve.pressures = pressures;
    print_hex(out, pg_write_curve(out, room, &curve));
    free(counts);
    free(zeros);
    free(pressures);
    free(out);
}

static void do_show(void)
{
    uint8_t show_s;
    const bool asked = pg_take_show(&insole, &show_s);
    printf("%d %u\n", asked, show_s);
}

static void do_announcement(void)
{
    uint8_t *const out = block(PG_ANNOUNCEMENT_BYTES);
    pg_read_announcement(&insole, out);
    print_hex(out, PG_ANNOUNCEMENT_BYTES);
    free(out);
}

static void do_status(void)
{
    uint8_t *const out = block(PG_STATUS_BYTES);
    const uint8_t resets = number8();
    pg_read_status(&insole, resets, number32(), out);
    print_hex(out, PG_STATUS_BYTES);
    free(out);
}

static void do_state(void)
{
    printf("%d %u %lu\n", pg_is_streaming(&insole), pg_period_us(&insole),
           (unsigned long)pg_frames_dropped(&insole));
}

static void do_battery(void)
{
    const uint8_t percent = number8();
    pg_set_battery(&insole, percent, number() != 0u);
    puts("");
}

static void do_mtu(void)
{
    pg_set_mtu(&insole, number16());
    puts("");
}

static void do_charging(void)
{
    pg_set_charging(&insole, number() != 0u);
    puts("");
}

static void do_subscribed(void)
{
    pg_set_subscribed(&insole, number() != 0u);
    puts("");
}

/* Not part of the interface: a counter of four billion packets takes a year and more. */
static void do_counter(void)
{
    insole.counter = number32();
    puts("");
}

/* Nor is this: four billion lost packets take as long. */
static void do_given_up(void)
{
    insole.packets_lost = number32();
    puts("");
}

static void do_done(void)
{
    pg_packet_done(&insole);
    puts("");
}

static void do_lost(void)
{
    pg_packet_lost(&insole);
    puts("");
}

static void do_link_lost(void)
{
    pg_link_lost(&insole);
    puts("");
}

static const struct {
    const char *name;
    void (*run)(void);
} OPERATIONS[] = {
    {"init", do_init},         {"frame", do_frame},       {"control", do_control},
    {"packet", do_packet},     {"done", do_done},         {"lost", do_lost},
    {"link_lost", do_link_lost}, {"charging", do_charging}, {"battery", do_battery},
    {"state", do_state},       {"show", do_show},         {"announcement", do_announcement},
    {"status", do_status},     {"counter", do_counter},   {"data", do_data},
    {"mtu", do_mtu},           {"fit", do_fit},           {"ack", do_ack},           {"identity", do_identity},
    {"clock", do_clock},       {"given_up", do_given_up},      {"information", do_information}, {"curve", do_curve},       {"subscribed", do_subscribed},
};

int main(void)
{
    static char line[16384];
    while (fgets(line, (int)sizeof line, stdin) != NULL) {
        const char *const name = strtok(line, " \n");
        size_t k = 0u;
        const size_t n = sizeof OPERATIONS / sizeof OPERATIONS[0];
        while (name != NULL && k < n && strcmp(name, OPERATIONS[k].name) != 0) {
            k++;
        }
        if (name == NULL || k == n) {
            fputs("driver: an operation is not known\n", stderr);
            return 2;
        }
        OPERATIONS[k].run();
    }
    return 0;
}
