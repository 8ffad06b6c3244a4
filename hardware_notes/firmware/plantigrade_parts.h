/*
 * What the parts of the application share: plantigrade_app.c (the turn), plantigrade_events.c (what events noted) and
 * plantigrade_applog.c (the log, with PG_APP_LOG). Not for your firmware.
 */
#ifndef PLANTIGRADE_PARTS_H
#define PLANTIGRADE_PARTS_H

#include "plantigrade_app.h"

/* ---- plantigrade_events.c ---- */

/* Forget what was noted of a link. */
void pg_forget_link(pg_heard *heard);

/* Whether something was noted; it is not any more. */
bool pg_taken(bool *noted);

bool pg_is_subscribed(const pg_app *app, uint8_t characteristic);

#define PG_FULL_BATTERY 100u

/* Whether so long passed until this turn. */

static inline bool pg_has_passed(const pg_app *app, uint32_t since_us, uint32_t us)
{
    return app->now_us - since_us >= us;
}

/* ---- plantigrade_applog.c, or nothing ---- */

#if PG_APP_LOG

#define PG_LOG_WAIT_US 5000u /* a turn so soon while it is read or written */

bool pg_app_log_init(pg_app *app);
bool pg_app_is_logging(const pg_app *app);
void pg_app_log_lost_link(pg_app *app);
void pg_app_log_stop(pg_app *app);

/* The time from one sample to the next. */
uint16_t pg_app_sample_period_us(pg_app *app);

/* Log a frame at the time that its packet gives it, or, without one, at its own. */
void pg_app_log_frame(pg_app *app, bool is_taken, uint32_t clock_us, const uint16_t *counts);

/* Hear requests, send pages, program and erase: in each turn. */
void pg_app_look_after_log(pg_app *app);
bool pg_app_is_log_busy(const pg_app *app);

#else

#define PG_LOG_WAIT_US 0u

static inline bool pg_app_log_init(const pg_app *app)
{
    (void)app;
    return true;
}

static inline bool pg_app_is_logging(const pg_app *app)
{
    (void)app;
    return false;
}

static inline void pg_app_log_lost_link(const pg_app *app)
{
    (void)app;
}

static inline void pg_app_log_stop(const pg_app *app)
{
    (void)app;
}

static inline uint16_t pg_app_sample_period_us(const pg_app *app)
{
    return pg_period_us(&app->insole);
}

static inline void pg_app_log_frame(const pg_app *app, bool is_taken, uint32_t clock_us, const uint16_t *counts)
{
    (void)app;
    (void)is_taken;
    (void)clock_us;
    (void)counts;
}

static inline void pg_app_look_after_log(const pg_app *app)
{
    (void)app;
}

static inline bool pg_app_is_log_busy(const pg_app *app)
{
    (void)app;
    return false;
}

#endif

#endif
