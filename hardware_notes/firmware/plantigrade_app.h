/*
 * An insole's application: everything between the samples and the Bluetooth stack, over plantigrade_port.h.
 *
 *     main loop          pg_app_turn, then sleep for as long as it says, or until an interrupt or an event
 *     stack, interrupts  pg_app_ events: they only note what happened
 *
 * An event may come from any context, in the middle of a turn too, and from inside a port_ function. It notes, and
 * nothing more: packets leave in pg_app_turn alone. A stack that calls back from inside its own notify, before it
 * has returned, would otherwise be given the same packet again and again (README, "Never from a callback").
 * After an event the loop must take a turn, and so it must when the stack has room again or the host confirmed an
 * indication: the turn offers again what was refused.
 *
 * No allocation, no floating point, no waiting, no library function.
 */
#ifndef PLANTIGRADE_APP_H
#define PLANTIGRADE_APP_H

#include "plantigrade_insole.h"
#include "plantigrade_port.h"

/* 1: with the log in a flash chip, whose four functions are then yours too (plantigrade_log.h). */
#ifndef PG_APP_LOG
#define PG_APP_LOG 0
#endif
#if PG_APP_LOG
#include "plantigrade_log.h"
#endif

#ifdef __cplusplus
extern "C" {
#endif

/* The longest that pg_app_turn lets the loop sleep, us; and for ever, in ship mode. */
#define PG_LONGEST_WAIT_US 8000000u
#define PG_FOR_EVER 0xFFFFFFFFu

/* Error of a write to the control point without a subscription to it (profile, section 1). */
#define PG_ATT_UNSUBSCRIBED 0xFDu

/* Requests that may wait for the loop; a host has one under way at a time (profile, section 1). */
#define PG_APP_REQUESTS 4u

typedef struct {
    pg_config insole;
    uint8_t low_percent;    /* battery low at this level, ... */
    uint8_t enough_percent; /* ... and no longer at this one: a level flickers */
    uint16_t empty_mv;      /* under it for 10 s the insole goes into ship mode; 0: never */
    uint16_t sleep_after_s; /* advertised in vain for so long it sleeps until it is stepped on; 0: never */
#if PG_APP_LOG
    uint32_t log_pages; /* of 256 bytes in the flash chip: a power of two, at least 64 */
#endif
} pg_app_config;

typedef struct {
    uint32_t clock_us; /* when it came in */
    uint16_t length;
    uint8_t bytes[PG_MAX_REQUEST];
} pg_written;

/* What the events noted and no turn has looked at; to be touched under port_lock only. */
typedef struct {
    bool connected;
    bool lost; /* since the last turn a link ended; there may be another already */
    bool subscribed[PG_CHARACTERISTICS];
    bool interval_refused;
    bool woken;
    bool failing;
    bool ship;
    uint16_t att_mtu;
    uint16_t interval_1250us;
    uint8_t oldest; /* request */
    uint8_t requests;
    pg_written written[PG_APP_REQUESTS];
#if PG_APP_LOG
    bool log_asked;
    pg_written log_written; /* the newest: it ends the one before */
#endif
} pg_heard;

/* State, to be used through the functions only. */
typedef struct {
    const pg_app_config *config;
    pg_insole insole;
    pg_heard heard;
    pg_cell cell;
    uint32_t now_us;
    uint32_t second_us; /* clock at which uptime_s became what it is */
    uint32_t uptime_s;
    uint32_t awake_s;     /* uptime at which it began to advertise */
    uint32_t status_s;    /* uptime of the last status told */
    uint32_t full_s;      /* uptime at which the cell was last not empty */
    uint32_t sampled_us;  /* of the last sample, or when sampling began */
    uint32_t held_us;     /* when the supply failed last */
    uint32_t asked_us;    /* when the interval was asked for, or is to be asked from */
    uint16_t interval_1250us;
    uint16_t advertised_625us; /* 0: not advertising */
    uint8_t said[PG_ANNOUNCEMENT_BYTES];
    uint8_t reply[PG_MAX_REPLY];
    uint8_t reply_bytes; /* of an answer that waits for the stack, 0: none */
    uint8_t resets;
    uint8_t asking;
    uint8_t told_state;
    uint8_t told_percent;
    bool connected;
    bool streamed; /* at the last look */
    bool battery_low;
    bool sampling; /* cells are powered */
    bool held;     /* not sampling, for the supply failed */
    bool asleep;
    bool off;
    bool turning;
#if PG_APP_LOG
    pg_log log;
    uint32_t log_sent_us; /* when the first of the pages of this connection event was given to the stack */
    uint16_t log_period_us;
    uint8_t log_sent; /* pages in this connection event */
    bool log_busy;
#endif
} pg_app;

/* Begin, after a reset. False where the configuration cannot be; then use nothing else. */
bool pg_app_init(pg_app *app, const pg_app_config *config);

/*
 * Do all that is to be done; return how long the loop may sleep, us. A turn within a turn does nothing, so that not
 * even a callback that calls it by mistake sends a packet twice.
 */
uint32_t pg_app_turn(pg_app *app);

/* ---- events ---- */

/* A host connected; nobody is subscribed and the MTU is 23 until said otherwise. */
void pg_app_connected(pg_app *app, uint16_t interval_1250us);
void pg_app_disconnected(pg_app *app);
void pg_app_mtu(pg_app *app, uint16_t att_mtu);
void pg_app_subscribed(pg_app *app, uint8_t characteristic, bool on);

/*
 * The host wrote to the control point; `clock_us` is the free-running clock's time in the stack's callback. Returns
 * the ATT error to answer with, 0: none.
 */
uint8_t pg_app_written(pg_app *app, uint32_t clock_us, const uint8_t *bytes, size_t length);

#if PG_APP_LOG
/* The host wrote to the log; as above. */
uint8_t pg_app_log_written(pg_app *app, const uint8_t *bytes, size_t length);
#endif

/* The connection's interval is this now; what was asked for was refused. */
void pg_app_interval(pg_app *app, uint16_t interval_1250us);
void pg_app_interval_refused(pg_app *app);

/* Somebody stepped on it or handled it. */
void pg_app_woken(pg_app *app);

/*
 * The supply falls: from the brown-out warning of the processor, or a comparator. Cells and amplifiers are off for a
 * second after the last such event, and the samples that are missing are said to be.
 */
void pg_app_supply_failing(pg_app *app);

/* Go into ship mode: by a button, or by the jig that tests it. Not while it charges. */
void pg_app_ship(pg_app *app);

/* ---- values that a host reads; from any context ---- */

void pg_app_read_status(const pg_app *app, uint8_t *out); /* PG_STATUS_BYTES */
uint8_t pg_app_battery_percent(const pg_app *app);
#if PG_APP_LOG
/* PG_LOG_STATE_BYTES; not in the middle of a turn, and not from an interrupt: it looks into the flash. */
void pg_app_read_log(pg_app *app, uint8_t *out);
#endif

#ifdef __cplusplus
}
#endif

#endif
