/* Everything the core asks of a board. Time comes in through board_slice(), one call per slice. */
#ifndef EVENWALL_HAL_H
#define EVENWALL_HAL_H

#include <stdint.h>

/* Inputs as the core sees them; a broken wire must read as "not there" (see the wiring page). */
#define INPUT_GUARD_CLOSED 0x01
#define INPUT_DRIVER_FAULT_MAJOR 0x02
#define INPUT_DRIVER_FAULT_MINOR 0x04

typedef struct {
    void *ctx;
    /* INPUT_* bits, right now. */
    uint8_t (*inputs)(void *ctx);
    /* Send a whole frame or, when there is no room for it, none of it. Never waits. */
    void (*send)(void *ctx, const uint8_t *bytes, uint8_t count);
    uint8_t simulated;
} hal_t;

#endif
