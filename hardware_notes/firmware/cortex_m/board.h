/* The emulated board: text for whoever runs it, a counter of instructions, and how deep the stack went. */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

#define BOARD_FAULT 99u

/* Print text, a number in decimal, or a byte as two hexadecimal digits. */
void board_say(const char *text);
void board_say_number(uint32_t value);
void board_say_byte(uint8_t value);

/* End the emulator with this exit status. */
void board_leave(uint32_t status);

/* Begin to count down from 2^24; and ticks since then. What a tick is, the caller measures. */
void board_start_ticks(void);
uint32_t board_ticks(void);

/* Paint the free stack below the caller; then the bytes below this point that calls have used since. */
void board_paint_stack(void);
uint32_t board_stack_used(void);

/* The program; its status is the emulator's. */
uint32_t board_run(void);

#endif
