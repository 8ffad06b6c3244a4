/* The application on the emulated board, behind a port without a radio. */
#ifndef APP_H
#define APP_H

#include <stdint.h>

/* Let a host connect and start, then take so many turns, each with a sample and every other one with a packet. */
void app_stream(uint32_t turns);

/* Take so many turns in which nothing happens but time. */
void app_idle(uint32_t turns);

/* Every request, a lost link, a failing supply, ship mode: what else may be deep. */
void app_all(void);

/* RAM that the application keeps. */
uint32_t app_ram_bytes(void);

#endif
