/*
 * Reset, faults and the board's functions. Text and exit status go through semihosting (Arm's "Semihosting for
 * AArch32 and AArch64": SYS_WRITE0 and SYS_EXIT_EXTENDED), ticks through the core's SysTick.
 */
#include "board.h"

#define SYS_WRITE0 0x04u
#define SYS_EXIT_EXTENDED 0x20u
#define APPLICATION_EXIT 0x20026u

#define SYSTICK ((volatile uint32_t *)0xE000E010u)
#define SYSTICK_MAX 0xFFFFFFu
#define SYSTICK_ON_CORE_CLOCK 5u

#define PAINT 0xA5A5A5A5u

extern uint32_t stack_top, data_load, data_start, data_end, bss_start, bss_end;

static uint32_t *painted_from;

void reset(void);

static void host(uint32_t operation, const void *argument)
{
    register uint32_t r0 __asm__("r0") = operation;
    register const void *r1 __asm__("r1") = argument;
    __asm__ volatile("bkpt 0xab" : "+r"(r0) : "r"(r1) : "memory");
}

void board_say(const char *text)
{
    host(SYS_WRITE0, text);
}

void board_say_number(uint32_t value)
{
    char digits[11];
    char *at = digits + sizeof digits - 1;
    *at = '\0';
    do {
        *--at = (char)('0' + (char)(value % 10u));
        value /= 10u;
    } while (value > 0u);
    board_say(at);
}

void board_say_byte(uint8_t value)
{
    static const char DIGITS[] = "0123456789abcdef";
    const char text[] = {DIGITS[value >> 4], DIGITS[value & 15u], '\0'};
    board_say(text);
}

void board_leave(uint32_t status)
{
    const uint32_t block[2] = {APPLICATION_EXIT, status};
    host(SYS_EXIT_EXTENDED, block);
    for (;;) {
    }
}

void board_start_ticks(void)
{
    SYSTICK[0] = 0u;
    SYSTICK[1] = SYSTICK_MAX;
    SYSTICK[2] = 0u;
    SYSTICK[0] = SYSTICK_ON_CORE_CLOCK;
}

uint32_t board_ticks(void)
{
    return (SYSTICK_MAX - SYSTICK[2]) & SYSTICK_MAX;
}

static inline __attribute__((always_inline)) uint32_t *stack_pointer(void)
{
    uint32_t *here;
    __asm__ volatile("mov %0, sp" : "=r"(here));
    return here;
}

__attribute__((noinline)) void board_paint_stack(void)
{
    painted_from = stack_pointer();
    for (uint32_t *at = &bss_end; (uintptr_t)at < (uintptr_t)painted_from; at++) {
        *at = PAINT;
    }
}

__attribute__((noinline)) uint32_t board_stack_used(void)
{
    const uint32_t *low = &bss_end;
    while (((uintptr_t)low < (uintptr_t)painted_from) && (*low == PAINT)) {
        low++;
    }
    return (uint32_t)((uintptr_t)painted_from - (uintptr_t)low);
}

static void fault(void)
{
    board_say("fault\n");
    board_leave(BOARD_FAULT);
}

void reset(void)
{
    const uint32_t *from = &data_load;
    for (uint32_t *to = &data_start; (uintptr_t)to < (uintptr_t)&data_end; to++) {
        *to = *from++;
    }
    for (uint32_t *to = &bss_start; (uintptr_t)to < (uintptr_t)&bss_end; to++) {
        *to = 0u;
    }
    board_leave(board_run());
}

/* The core reads the first sixteen words: stack, reset, then faults, which end the run rather than hang it. */
__attribute__((section(".vectors"), used)) static const void *const VECTORS[16] = {
    &stack_top, (const void *)reset, (const void *)fault, (const void *)fault,
    (const void *)fault, (const void *)fault, (const void *)fault};
