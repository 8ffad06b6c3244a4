/*
 * What plantigrade_app.c needs of a board and its Bluetooth stack: the functions to write for a port. Each returns
 * at once and waits for nothing; of the application it may call the pg_app_ events.
 *
 * Ports: host/ (this machine, behind pipes) and nimble/ (an open-source Bluetooth host).
 */
#ifndef PLANTIGRADE_PORT_H
#define PLANTIGRADE_PORT_H

#include "plantigrade_wire.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Characteristics that a host subscribes to (profile, section 1). */
#define PG_DATA 0u
#define PG_POINT 1u
#define PG_STATUS 2u
#define PG_BATTERY 3u
#define PG_LOG 4u /* of an application with a log: PG_APP_LOG */
#define PG_CHARACTERISTICS 5u

/* Why the processor began. */
#define PG_RESET_FAULT 0u /* power, pin, watchdog, brown-out, software: all that nobody meant */
#define PG_RESET_WOKEN 1u /* the charger ended the ship mode */

/* Connection parameters to ask for, in the units of the Bluetooth Core specification. */
typedef struct {
    uint16_t min_1250us;
    uint16_t max_1250us;
    uint16_t latency;
    uint16_t timeout_10ms;
} pg_interval;

/* What the board knows of its cell, measured by itself now and then. */
typedef struct {
    uint8_t percent;     /* 0-100, else unknown */
    uint16_t millivolts; /* under load; 0: unknown */
    bool on_charger;
} pg_cell;

/* The free-running clock, us: begins at a reset, is never set, does not stop in sleep. */
uint32_t port_clock_us(void);

/* Keep interrupts and the stack's callbacks out, and let them in again. Nothing where all run in one context. */
void port_lock(void);
void port_unlock(void);

/*
 * Advertise, connectable, at an interval in 625 us, with this service data (PG_ANNOUNCEMENT_BYTES) in the scan
 * response, or change both while advertising (profile, section 2). A stack that stops advertising at a connection
 * is told to begin again by the application.
 */
void port_advertise(uint16_t interval_625us, const uint8_t *service_data);
void port_stop_advertising(void);

/*
 * Notify on PG_DATA, PG_STATUS, PG_BATTERY or PG_LOG; false while the stack has no room. It is asked
 * again in the next turn. The bytes must be taken before it returns.
 */
bool port_notify(uint8_t characteristic, const uint8_t *bytes, size_t length);

/* Indicate on PG_POINT; false while one is under way. */
bool port_indicate(const uint8_t *bytes, size_t length);

/* Ask the central for connection parameters: pg_app_interval or pg_app_interval_refused tells what came of it. */
void port_ask_interval(const pg_interval *wanted);

/* End the link; pg_app_disconnected follows. */
void port_hang_up(void);

/* Power cells and amplifiers, or cut them off. */
void port_power_cells(bool on);

/* Whether a sample tick was taken since the last call; its time on the free-running clock, and the counts. */
bool port_sample(uint32_t *clock_us, uint16_t *counts);

/* Take the next sample so long after the last one, or, if there was none for longer, at once. */
void port_tick_after(uint16_t period_us);

void port_read_cell(pg_cell *cell);

/* Show which insole this is, by light or buzz, for so long; 0: do not. */
void port_show(uint8_t seconds);

/*
 * A word that outlives every reset: retained memory with a brown-out that keeps it, or two words of flash in turn.
 * Any value may be found at the first power-up.
 */
uint32_t port_kept(void);
void port_keep(uint32_t word);
uint8_t port_reset_cause(void);

/* The watchdog: longer than PG_LONGEST_WAIT_US, twice that is good. Feed it nowhere else. */
void port_feed_watchdog(void);

/* Have pg_app_woken called when somebody steps on it or handles it: asleep it does not advertise. */
void port_arm_wake(void);

/* Ship mode: all off, only the charger wakes it, by a reset. On a board this does not return. */
void port_ship(void);

#ifdef __cplusplus
}
#endif

#endif
