/* A simulated board, whatever runs inside it: the core in virtual time (simboard_host.c) or the
 * chip's own binary in a cycle-accurate simulator (simboard_avr.c). Time is in processor cycles
 * since power-on and moves only by simboard_run(). */
#ifndef EVENWALL_SIMBOARD_H
#define EVENWALL_SIMBOARD_H

#include <stddef.h>
#include <stdint.h>

typedef struct simboard simboard_t;

/* image: the chip's binary, or NULL where the core is built in. NULL when it cannot start. */
simboard_t *simboard_new(const char *image);
void simboard_free(simboard_t *sim);
/* Power goes and comes back; cause is a RESET_* number. The frame stays where it is. */
void simboard_reset(simboard_t *sim, int cause);
uint64_t simboard_now(const simboard_t *sim);
/* Run until this moment; what was fed before it is received in time. */
void simboard_run(simboard_t *sim, uint64_t until_cycles);

/* Bytes from the host. Returns how many there was room for. */
size_t simboard_feed(simboard_t *sim, const uint8_t *bytes, size_t count);
/* Bytes for the host; returns how many were written to `out`. */
size_t simboard_read(simboard_t *sim, uint8_t *out, size_t room);

/* STEP edges at the pins, signed by DIR, since the simulated board was made. */
void simboard_steps(const simboard_t *sim, int32_t steps[2]);
int simboard_enabled(const simboard_t *sim);
void simboard_set_guard(simboard_t *sim, int closed);
void simboard_set_driver_fault(simboard_t *sim, int axis, int on);
/* The motor loses this many steps. */
void simboard_slip(simboard_t *sim, int axis, int32_t steps);
/* The index flag is met at this mechanical position, every turn. 0 steps per turn: no flag. */
void simboard_set_index(simboard_t *sim, int axis, int32_t steps_per_turn, int32_t at);

#endif
