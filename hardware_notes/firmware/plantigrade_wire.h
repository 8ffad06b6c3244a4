/*
 * What an insole says and hears, as bytes: the messages of ../wire_format.md version 1, and the two values of
 * ../gatt_profile.md version 1 (service data and status).
 *
 * Sections named here are the wire format's, unless said otherwise. No state, no allocation, no floating
 * point, no library function; needs only the headers that every freestanding C99 compiler brings.
 */
#ifndef PLANTIGRADE_WIRE_H
#define PLANTIGRADE_WIRE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* section 1 and 3 */
#define PG_MAX_MESSAGE 244u
#define PG_HEADER_BYTES 16u
#define PG_MAX_ZONES 64u
#define PG_MIN_PERIOD_US 1000u
#define PG_MAX_COUNT_12 4095u
#define PG_BATTERY_UNKNOWN 255u

/* Every request and its answer fit the smallest ATT MTU (section 4). */
#define PG_MAX_REQUEST 20u

/* The longest answer to a request: an identity. */
#define PG_MAX_REPLY 16u

/* Bytes of the profile's values. */
#define PG_ANNOUNCEMENT_BYTES 9u
#define PG_STATUS_BYTES 12u

/* foot and sample format, as they stand in the format byte */
#define PG_LEFT 0u
#define PG_RIGHT 1u
#define PG_U16 0u
#define PG_PACKED12 1u

/* flags of a data packet */
#define PG_FIRST 0x01u
#define PG_DROPPED 0x02u
#define PG_BATTERY_LOW 0x04u

/* kinds, section 2 */
#define PG_KIND_DATA 0x01u
#define PG_KIND_START 0x10u
#define PG_KIND_STOP 0x11u
#define PG_KIND_RATE 0x12u
#define PG_KIND_FRAMES 0x13u
#define PG_KIND_IDENTIFY 0x14u
#define PG_KIND_TIME 0x15u
#define PG_KIND_ACK 0x20u
#define PG_KIND_IDENTITY 0x21u
#define PG_KIND_CLOCK 0x22u

/* statuses of an acknowledgement, section 4 */
#define PG_DONE 0u
#define PG_UNKNOWN_REQUEST 1u
#define PG_VALUE_NOT_POSSIBLE 2u
#define PG_NOT_NOW 3u

/* The sixteen bytes before a data packet's frames. */
typedef struct {
    uint8_t foot;
    uint8_t sample_format;
    uint8_t flags;
    uint8_t zones;
    uint8_t frames;
    uint16_t period_us;
    uint32_t counter;
    uint32_t clock_us; /* when the first frame was sampled */
} pg_header;

/* The answer to identify, but for its token. */
typedef struct {
    uint8_t foot;
    uint8_t sample_format;
    uint8_t zones;
    uint8_t frames;
    uint16_t period_us;
    uint8_t battery_percent; /* 0-100, or PG_BATTERY_UNKNOWN */
    bool streaming;
    uint16_t firmware; /* major x 256 + minor */
    uint32_t serial;
} pg_identity;

/* What the status characteristic says (profile, section 3). */
typedef struct {
    bool streaming;
    bool charging;
    bool battery_low;
    uint8_t battery_percent;
    uint8_t resets;        /* since the last charge, stays at 255 */
    uint32_t packets_lost; /* made and never sent since streaming started */
    uint32_t uptime_s;
} pg_status;

/* A request of the host. */
typedef struct {
    uint8_t kind;
    uint8_t token;
    uint16_t value; /* period in us, frames, or seconds to show; 0 for start, stop and time */
} pg_request;

/* Write a number, least significant byte first. */
void pg_put16(uint8_t *out, uint16_t value);
void pg_put32(uint8_t *out, uint32_t value);

/* Bytes of one frame; zones 1-64. */
size_t pg_frame_bytes(uint8_t zones, uint8_t sample_format);

/* Whether so many frames fit into one packet. */
bool pg_frames_fit(uint8_t frames, uint8_t zones, uint8_t sample_format);

/* Write a header, PG_HEADER_BYTES. */
void pg_write_header(uint8_t *out, const pg_header *header);

/*
 * Write one frame of `zones` counts; return its bytes. In packed 12-bit a count above 4095 is written as
 * 4095: a saturated zone must not read as a light one.
 */
size_t pg_write_frame(uint8_t *out, const uint16_t *counts, uint8_t zones, uint8_t sample_format);

/* Write an acknowledgement; return its bytes. */
size_t pg_write_ack(uint8_t *out, const pg_request *request, uint8_t status);

/* Write an identity; return its bytes. */
size_t pg_write_identity(uint8_t *out, uint8_t token, const pg_identity *identity);

/* Write a clock, the answer to time; return its bytes. */
size_t pg_write_clock(uint8_t *out, uint8_t token, uint32_t clock_us);

/* Write the service data that is advertised, PG_ANNOUNCEMENT_BYTES (profile, section 2). */
void pg_write_announcement(uint8_t *out, uint8_t foot, uint16_t length_mm, uint8_t battery_percent, uint32_t serial);

/* Write a status, PG_STATUS_BYTES. */
void pg_write_status(uint8_t *out, const pg_status *status);

/*
 * Read what the host wrote. False: there is nothing to answer to (no token, another version, or longer than
 * any message). True: kind and token are set, and `status` is
 *   PG_DONE                 the request is whole and its value lies in its table (section 4)
 *   PG_UNKNOWN_REQUEST      not a kind that a host sends
 *   PG_VALUE_NOT_POSSIBLE   bytes missing or left over, or a value outside its table
 */
bool pg_read_request(const uint8_t *bytes, size_t length, pg_request *request, uint8_t *status);

#ifdef __cplusplus
}
#endif

#endif
