#include "plantigrade_wire.h"

#define VERSION 1u
#define PROFILE_VERSION 1u
#define STREAMING 0x01u
#define CHARGING 0x02u
#define BATTERY_LOW 0x04u
#define TOKEN_BYTES 3u /* version, kind, token: the shortest request */

/* Of start, stop, rate, frames, identify, time: the kinds from PG_KIND_START on. */
static const uint8_t REQUEST_BYTES[] = {3u, 3u, 5u, 4u, 4u, 3u};

void pg_put16(uint8_t *out, uint16_t value)
{
    out[0] = (uint8_t)(value & 0xFFu);
    out[1] = (uint8_t)(value >> 8);
}

void pg_put32(uint8_t *out, uint32_t value)
{
    pg_put16(out, (uint16_t)(value & 0xFFFFu));
    pg_put16(out + 2, (uint16_t)(value >> 16));
}

static uint8_t format_byte(uint8_t foot, uint8_t sample_format)
{
    return (uint8_t)(foot | (uint8_t)(sample_format << 1));
}

size_t pg_frame_bytes(uint8_t zones, uint8_t sample_format)
{
    return (sample_format == PG_U16) ? (size_t)zones * 2u : ((size_t)zones * 3u + 1u) >> 1;
}

bool pg_frames_fit(uint8_t frames, uint8_t zones, uint8_t sample_format)
{
    /* multiplied, not divided: the smallest cores have no division */
    return frames * pg_frame_bytes(zones, sample_format) <= PG_MAX_MESSAGE - PG_HEADER_BYTES;
}

void pg_write_header(uint8_t *out, const pg_header *header)
{
    out[0] = VERSION;
    out[1] = PG_KIND_DATA;
    out[2] = format_byte(header->foot, header->sample_format);
    out[3] = header->flags;
    pg_put32(out + 4, header->counter);
    pg_put32(out + 8, header->clock_us);
    pg_put16(out + 12, header->period_us);
    out[14] = header->zones;
    out[15] = header->frames;
}

static uint16_t count12(uint16_t count)
{
    return (count > PG_MAX_COUNT_12) ? (uint16_t)PG_MAX_COUNT_12 : count;
}

static void write_packed12(uint8_t *out, const uint16_t *counts, uint8_t zones)
{
    uint8_t zone = 0u;
    while (zone < zones) {
        const uint16_t a = count12(counts[zone]);
        out[0] = (uint8_t)(a & 0xFFu);
        out[1] = (uint8_t)(a >> 8);
        zone++;
        if (zone < zones) {
            const uint16_t b = count12(counts[zone]);
            out[1] = (uint8_t)(out[1] | (uint8_t)((b & 0x0Fu) << 4));
            out[2] = (uint8_t)(b >> 4);
            zone++;
        }
        out += 3;
    }
}

size_t pg_write_frame(uint8_t *out, const uint16_t *counts, uint8_t zones, uint8_t sample_format)
{
    if (sample_format == PG_U16) {
        for (uint8_t zone = 0u; zone < zones; zone++) {
            pg_put16(out + (size_t)zone * 2u, counts[zone]);
        }
    } else {
        write_packed12(out, counts, zones);
    }
    return pg_frame_bytes(zones, sample_format);
}

static void put_start_of_message(uint8_t *out, uint8_t kind, uint8_t token)
{
    out[0] = VERSION;
    out[1] = kind;
    out[2] = token;
}

size_t pg_write_ack(uint8_t *out, const pg_request *request, uint8_t status)
{
    put_start_of_message(out, PG_KIND_ACK, request->token);
    out[3] = request->kind;
    out[4] = status;
    return 5u;
}

size_t pg_write_identity(uint8_t *out, uint8_t token, const pg_identity *identity)
{
    put_start_of_message(out, PG_KIND_IDENTITY, token);
    out[3] = format_byte(identity->foot, identity->sample_format);
    out[4] = identity->zones;
    out[5] = identity->frames;
    pg_put16(out + 6, identity->period_us);
    out[8] = identity->battery_percent;
    out[9] = identity->streaming ? (uint8_t)STREAMING : (uint8_t)0u;
    pg_put16(out + 10, identity->firmware);
    pg_put32(out + 12, identity->serial);
    return PG_MAX_REPLY;
}

size_t pg_write_clock(uint8_t *out, uint8_t token, uint32_t clock_us)
{
    put_start_of_message(out, PG_KIND_CLOCK, token);
    pg_put32(out + 3, clock_us);
    return 7u;
}

void pg_write_announcement(uint8_t *out, uint8_t foot, uint16_t length_mm, uint8_t battery_percent, uint32_t serial)
{
    out[0] = PROFILE_VERSION;
    out[1] = foot;
    pg_put16(out + 2, length_mm);
    out[4] = battery_percent;
    pg_put32(out + 5, serial);
}

void pg_write_status(uint8_t *out, const pg_status *status)
{
    out[0] = PROFILE_VERSION;
    out[1] = (uint8_t)((status->streaming ? STREAMING : 0u) | (status->charging ? CHARGING : 0u) |
                       (status->battery_low ? BATTERY_LOW : 0u));
    out[2] = status->battery_percent;
    out[3] = status->resets;
    pg_put32(out + 4, status->packets_lost);
    pg_put32(out + 8, status->uptime_s);
}

static uint8_t read_value(const uint8_t *bytes, size_t length, pg_request *request)
{
    /* No switch: on the smallest cores its jump table calls a function of the compiler's library. */
    const uint8_t nth = (uint8_t)(request->kind - PG_KIND_START);
    uint16_t least = 0u;
    if (nth >= sizeof REQUEST_BYTES) {
        return PG_UNKNOWN_REQUEST;
    }
    if (length != REQUEST_BYTES[nth]) {
        return PG_VALUE_NOT_POSSIBLE;
    }
    if (request->kind == PG_KIND_RATE) {
        least = PG_MIN_PERIOD_US;
    } else if (request->kind == PG_KIND_FRAMES) {
        least = 1u;
    }
    if (length > 3u) {
        request->value = bytes[3];
    }
    if (length > 4u) {
        request->value = (uint16_t)(request->value | (uint16_t)(bytes[4] << 8));
    }
    return (request->value < least) ? PG_VALUE_NOT_POSSIBLE : PG_DONE;
}

bool pg_read_request(const uint8_t *bytes, size_t length, pg_request *request, uint8_t *status)
{
    if ((length < TOKEN_BYTES) || (length > PG_MAX_MESSAGE) || (bytes[0] != VERSION)) {
        return false;
    }
    request->kind = bytes[1];
    request->token = bytes[2];
    request->value = 0u;
    *status = read_value(bytes, length, request);
    return true;
}
