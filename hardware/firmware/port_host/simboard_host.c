/* The core in virtual time: bytes arrive at once, slices are run when their moment has passed. */
#include "simboard.h"

#include <stdlib.h>
#include <string.h>

#include "board.h"

#define OUT_BYTES 65536

typedef struct {
    int32_t steps; /* at the pins */
    int32_t slipped;
    int32_t per_turn; /* 0: no flag */
    int32_t flag_at;
} sim_axis_t;

struct simboard {
    board_t board;
    hal_t hal;
    uint64_t slices;
    uint64_t now;
    sim_axis_t axis[AXES];
    uint8_t inputs;
    int enabled;
    uint8_t out[OUT_BYTES];
    size_t out_from;
    size_t out_count;
};

static uint8_t inputs(void *ctx)
{
    return ((const simboard_t *)ctx)->inputs;
}

static void send(void *ctx, const uint8_t *bytes, uint8_t count)
{
    simboard_t *sim = ctx;
    if (sim->out_from + sim->out_count + count > OUT_BYTES) {
        memmove(sim->out, sim->out + sim->out_from, sim->out_count);
        sim->out_from = 0;
    }
    if (sim->out_count + count > OUT_BYTES) {
        return; /* nobody listens */
    }
    memcpy(sim->out + sim->out_from + sim->out_count, bytes, count);
    sim->out_count += count;
}

simboard_t *simboard_new(const char *image)
{
    simboard_t *sim = image == NULL ? calloc(1, sizeof *sim) : NULL;
    if (sim != NULL) {
        sim->hal = (hal_t){sim, inputs, send, 1};
        sim->inputs = INPUT_GUARD_CLOSED;
        board_init(&sim->board, &sim->hal, RESET_POWER_ON);
    }
    return sim;
}

void simboard_free(simboard_t *sim)
{
    free(sim);
}

void simboard_reset(simboard_t *sim, int cause)
{
    sim->enabled = 0;
    board_init(&sim->board, &sim->hal, (uint8_t)cause);
}

uint64_t simboard_now(const simboard_t *sim)
{
    return sim->now;
}

static int32_t modulo(int32_t value, int32_t turn)
{
    int32_t rest = value % turn;
    return rest < 0 ? rest + turn : rest;
}

/* Tell the core of a flag edge that this slice's movement passes. */
static void watch_flag(simboard_t *sim, uint8_t index, int16_t steps)
{
    sim_axis_t *axis = &sim->axis[index];
    if (axis->per_turn == 0 || steps == 0) {
        return;
    }
    bool forward = steps > 0;
    /* Steps still to go to the edge at flag_at: going forward to the step that enters it, going
     * back to the step that leaves it. */
    int32_t place = modulo(axis->steps - axis->slipped - axis->flag_at, axis->per_turn);
    int32_t ahead = forward ? axis->per_turn - place : place + 1;
    if (ahead <= (forward ? steps : -steps)) {
        int32_t at_edge = axis->steps + (forward ? ahead : -ahead);
        /* The core counts from its own power-on; the pins count from ours. */
        int32_t offset = sim->board.motion.axis[index].steps - (axis->steps + steps);
        /* Back over the edge, the flag's first step is the last one inside. */
        board_index(&sim->board, index, forward, forward, at_edge + offset + (forward ? 0 : 1));
    }
}

void simboard_run(simboard_t *sim, uint64_t until_cycles)
{
    slice_t slice;
    while ((sim->slices + 1) * SLICE_CYCLES <= until_cycles) {
        board_slice(&sim->board, &slice);
        sim->slices++;
        sim->enabled = slice.drivers_on;
        for (uint8_t i = 0; i < AXES; i++) {
            watch_flag(sim, i, slice.axis[i].steps);
            sim->axis[i].steps += slice.axis[i].steps;
        }
    }
    if (until_cycles > sim->now) {
        sim->now = until_cycles;
    }
}

size_t simboard_feed(simboard_t *sim, const uint8_t *bytes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        board_byte(&sim->board, bytes[i]);
    }
    return count;
}

size_t simboard_read(simboard_t *sim, uint8_t *out, size_t room)
{
    size_t count = sim->out_count < room ? sim->out_count : room;
    memcpy(out, sim->out + sim->out_from, count);
    sim->out_from += count;
    sim->out_count -= count;
    if (sim->out_count == 0) {
        sim->out_from = 0;
    }
    return count;
}

void simboard_steps(const simboard_t *sim, int32_t steps[2])
{
    steps[MAJOR] = sim->axis[MAJOR].steps;
    steps[MINOR] = sim->axis[MINOR].steps;
}

int simboard_enabled(const simboard_t *sim)
{
    return sim->enabled;
}

static void set_input(simboard_t *sim, uint8_t bit, int on)
{
    sim->inputs = (uint8_t)(on ? sim->inputs | bit : sim->inputs & ~bit);
}

void simboard_set_guard(simboard_t *sim, int closed)
{
    set_input(sim, INPUT_GUARD_CLOSED, closed);
}

void simboard_set_driver_fault(simboard_t *sim, int axis, int on)
{
    set_input(sim, axis == MAJOR ? INPUT_DRIVER_FAULT_MAJOR : INPUT_DRIVER_FAULT_MINOR, on);
}

void simboard_slip(simboard_t *sim, int axis, int32_t steps)
{
    sim->axis[axis].slipped += steps;
}

void simboard_set_index(simboard_t *sim, int axis, int32_t steps_per_turn, int32_t at)
{
    sim->axis[axis].per_turn = steps_per_turn;
    sim->axis[axis].flag_at = at;
}
