/*
 * The insole's side of ../wire_format.md and ../gatt_profile.md, version 1.
 *
 *     sample tick  ->  pg_push_frame                one sample of every zone, with the clock's time
 *     data         <-  pg_packet, pg_packet_done    the oldest packet, until the link took it
 *     control      ->  pg_control                   obeys, and writes the answer
 *     status       <-  pg_read_status
 *
 * Nothing is allocated, nothing waits, no floating point, no library function. The functions are not
 * re-entrant: call them from one context, or mask the tick's interrupt around the others. The longest,
 * pg_push_frame, touches each of a frame's zones once.
 *
 * When the link is full the queue keeps what it has, and new samples are dropped, counted, and said by flag
 * bit 1 of the next packet, whose clock says how many (wire format, section 3). A firmware that would rather
 * lose the oldest packet calls pg_packet_lost: its counter is then the hole that the host sees.
 */
#ifndef PLANTIGRADE_INSOLE_H
#define PLANTIGRADE_INSOLE_H

#include "plantigrade_wire.h"

#ifdef __cplusplus
extern "C" {
#endif

/*
 * Packets that may wait for the link, the one being filled among them: 1-255, 245 bytes of memory each. Eight of
 * two frames hold 160 ms at 100 Hz.
 */
#ifndef PG_QUEUE_PACKETS
#define PG_QUEUE_PACKETS 8u
#endif

/* What an insole is; must outlive the pg_insole (a const object in flash will do). */
typedef struct {
    uint8_t foot;           /* PG_LEFT or PG_RIGHT */
    uint8_t sample_format;  /* PG_U16 or PG_PACKED12 */
    uint8_t zones;          /* 1-64 */
    uint8_t frames;         /* per packet, until the host says otherwise */
    uint16_t period_us;     /* sample period, until the host says otherwise */
    uint16_t min_period_us; /* the fastest this insole can sample; a shorter period is refused */
    uint16_t length_mm;     /* the insole's size */
    uint16_t firmware;      /* major x 256 + minor */
    uint32_t serial;
} pg_config;

typedef struct {
    uint8_t length;
    uint8_t bytes[PG_MAX_MESSAGE];
} pg_slot;

/* State, to be used through the functions only. */
typedef struct {
    const pg_config *config;
    uint32_t counter;        /* of the next packet */
    uint32_t due_us;         /* clock at which the next frame is due */
    uint32_t covered_us;     /* time that the last packet covers, back from due_us */
    uint32_t frames_dropped; /* since pg_init */
    uint32_t packets_lost;   /* since the last start */
    uint16_t period_us;      /* of the last packet begun */
    uint16_t next_period_us;
    uint8_t frames; /* of the last packet begun, when it is full */
    uint8_t next_frames;
    uint8_t most_frames; /* that fit the link; 0: not even one does */
    uint8_t flags;  /* of the next packet */
    uint8_t oldest; /* slot of the oldest packet */
    uint8_t queued; /* whole packets; the one being filled comes after them */
    uint8_t battery_percent;
    uint8_t show_s;
    bool show;
    bool filling;
    bool streaming;
    bool charging;
    bool unheard; /* nobody is subscribed to data */
    pg_slot slots[PG_QUEUE_PACKETS];
} pg_insole;

/* Begin, after a reset: not streaming. False where the configuration cannot be; then use nothing else. */
bool pg_init(pg_insole *insole, const pg_config *config);

/*
 * Hand over one sample of every zone, in order of zone id, and the time of the free-running microsecond clock
 * when it was taken. False when it is lost: not streaming (that is not counted), the queue is full, or an
 * earlier packet covers its time. A tick that was missed needs no call: the time of the next one shows it.
 */
bool pg_push_frame(pg_insole *insole, uint32_t clock_us, const uint16_t *counts);

/* The clock of the last frame that was taken, as its packet has it. */
uint32_t pg_frame_clock_us(const pg_insole *insole);

/* Time from the frame just handed over to the next, us: a new rate begins with a packet, not within one. */
uint16_t pg_period_us(const pg_insole *insole);

/* Whether sample ticks are wanted. */
bool pg_is_streaming(const pg_insole *insole);

/* The oldest packet, or NULL; it stays where it is until pg_packet_done or pg_packet_lost. */
const uint8_t *pg_packet(const pg_insole *insole, size_t *length);

/* The link took the oldest packet. */
void pg_packet_done(pg_insole *insole);

/* The oldest packet is given up. */
void pg_packet_lost(pg_insole *insole);

/*
 * Obey what the host wrote to the control point; write the answer and return its bytes, 0 for none. Any bytes
 * may be given; of more than PG_MAX_REQUEST only the first so many are looked at. `clock_us` is the time of the
 * free-running clock when the write came in, not when this is called: the answer to a time request carries it. A new
 * period or number of frames holds from the next packet on.
 */
size_t pg_control(pg_insole *insole, uint32_t clock_us, const uint8_t *request, size_t length, uint8_t *reply);

/* Whether an identify came since the last call; then for how long to show which insole this is, s, 0: do not. */
bool pg_take_show(pg_insole *insole, uint8_t *show_s);

/* What the requests do, for the firmware's own use. A packet that is part filled is sent as it is. */
void pg_start(pg_insole *insole);
void pg_stop(pg_insole *insole);

/*
 * What the connection's ATT MTU lets through; 247 is assumed until this is called. Packets never hold more than
 * fits, frames per packet that do not fit are refused, and where not even one frame fits start is answered "not
 * now". Call it when a host connects (with 23) and when the MTU changes.
 */
void pg_set_mtu(pg_insole *insole, uint16_t att_mtu);

/*
 * Whether the host is subscribed to the data characteristic; it is taken to be until this is called. Start is
 * answered "not now" while it is not, and a subscription that ends ends the stream. Call it when the subscription
 * changes, and with false when a host connects.
 */
void pg_set_subscribed(pg_insole *insole, bool subscribed);

/* The connection is gone: stop, and give up what was queued, for the next host may be another. */
void pg_link_lost(pg_insole *insole);

/* An insole must never be worn while it charges: it stops, and start is answered "not now". */
void pg_set_charging(pg_insole *insole, bool charging);

/* Battery level, 0-100 %, anything else: unknown; and whether it is low, which packets then say. */
void pg_set_battery(pg_insole *insole, uint8_t percent, bool low);

/* What to advertise, PG_ANNOUNCEMENT_BYTES, and the status characteristic's value, PG_STATUS_BYTES. */
void pg_read_announcement(const pg_insole *insole, uint8_t *out);
void pg_read_status(const pg_insole *insole, uint8_t resets, uint32_t uptime_s, uint8_t *out);

/* Frames handed over while streaming and not taken, since pg_init. */
uint32_t pg_frames_dropped(const pg_insole *insole);

#ifdef __cplusplus
}
#endif

#endif
