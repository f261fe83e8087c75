/* A hostile host against the core: frames of every kind, good, mutated and made up, in any order,
 * with the guard and the driver inputs changing as they like. After each slice the promises of
 * the board are held against what it does. Usage: fuzz FRAMES SEED. Ends with 1 at the first
 * promise broken. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "board.h"

static uint64_t state;

static uint32_t dice(void)
{
    /* xorshift64* (Marsaglia 2003; Vigna 2016) */
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return (uint32_t)((state * 0x2545F4914F6CDD1DULL) >> 32);
}

static uint32_t below(uint32_t limit)
{
    return dice() % limit;
}

static uint8_t input_bits = INPUT_GUARD_CLOSED;
static unsigned long answers;

static uint8_t inputs(void *ctx)
{
    (void)ctx;
    return input_bits;
}

static void send(void *ctx, const uint8_t *bytes, uint8_t count)
{
    (void)ctx;
    (void)bytes;
    answers += count != 0;
}

static const hal_t hal = {0, inputs, send, 1};
static board_t board;
static unsigned long turning, accepted, went_off;

static void fail(const char *what)
{
    fprintf(stderr, "broken: %s (mode %u, slice %lu)\n", what, board.mode,
            (unsigned long)board.slice);
    exit(1);
}

static uint32_t size_of(int64_t value)
{
    return (uint32_t)(value < 0 ? -value : value);
}

static void one_slice(void)
{
    static unsigned open_slices;
    int32_t before[AXES] = {board.motion.axis[0].rate, board.motion.axis[1].rate};
    int32_t steps[AXES] = {board.motion.axis[0].steps, board.motion.axis[1].steps};
    uint8_t was = board.mode;
    slice_t slice;
    board_slice(&board, &slice);
    if (board.mode > MODE_STOPPING || board.waiting > QUEUE_RAMPS) {
        fail("state");
    }
    for (uint8_t i = 0; i < AXES; i++) {
        const axis_motion_t *axis = &board.motion.axis[i];
        if (was == MODE_DISABLED || was == MODE_HOLDING) {
            if (slice.axis[i].steps != 0 || axis->rate != 0) {
                fail("moved while it should stand");
            }
            continue;
        }
        if (size_of(axis->rate) > board.config.rate_max[i]) {
            fail("rate limit");
        }
        if (size_of((int64_t)axis->rate - before[i]) > board.config.accel_max[i]) {
            fail("acceleration limit");
        }
        if (axis->steps - steps[i] != slice.axis[i].steps) {
            fail("step count");
        }
        pulses_t pulses = slice_pulses(&slice.axis[i]);
        uint32_t count = size_of(slice.axis[i].steps);
        if (count != 0
            && pulses.first + (uint64_t)(count - 1) * pulses.every > (uint64_t)UINT32_MAX + 256) {
            fail("a pulse outside its slice");
        }
    }
    if (slice.drivers_on != (was != MODE_DISABLED) && was != MODE_HOLDING) {
        fail("drivers");
    }
    open_slices = (input_bits & INPUT_GUARD_CLOSED) ? 0 : open_slices + 1;
    /* The longest ramp to rest, rate_max / accel_max, and the debouncing. */
    if (board.configured && board.mode != MODE_DISABLED
        && open_slices > 4 + board.config.rate_max[0] / board.config.accel_max[0]
               + board.config.rate_max[1] / board.config.accel_max[1]) {
        fail("the guard did not stop it");
    }
    turning += board.mode == MODE_TURNING;
    went_off += was != MODE_DISABLED && board.mode == MODE_DISABLED;
}

static void put_config(uint8_t *at)
{
    for (uint8_t i = 0; i < AXES; i++) {
        put_u32(at + 4 * i, 1 + below(20000));
        put_u32(at + 8 + 4 * i, 1 + below(RATE_HARD_MAX));
        put_u32(at + 16 + 4 * i, 20000 + below(40000000));
        put_u16(at + 24 + 2 * i, (uint16_t)dice());
    }
}

/* A payload that makes sense more often than not. */
static uint8_t payload(uint8_t type, uint8_t *at)
{
    switch (type) {
    case MSG_HELLO:
        put_u16(at, (uint16_t)(below(20) ? PROTOCOL_VERSION : dice()));
        put_u16(at + 2, (uint16_t)below(60));
        return 4;
    case MSG_CONFIG:
        put_config(at);
        return 28;
    case MSG_ENABLE:
        put_u32(at, below(10) ? 200 + below(5000) : dice());
        return 4;
    case MSG_QUEUE: {
        uint8_t ramps = (uint8_t)(1 + below(RAMPS_PER_FRAME));
        put_u32(at, below(20) ? board.accepted : dice());
        at[4] = (uint8_t)(below(4) == 0);
        int64_t rate[AXES] = {board.tail_rate[0], board.tail_rate[1]};
        for (uint8_t i = 0; i < ramps; i++) {
            uint8_t *ramp = at + 5 + 12 * i;
            uint32_t slices = 1 + below(200);
            put_u32(ramp, below(100) ? slices : dice());
            for (uint8_t axis = 0; axis < AXES; axis++) {
                /* At the limits as often as within them, and now and then over them. */
                int64_t reach = (int64_t)board.config.accel_max[axis] * (1 + below(slices));
                int64_t most = board.config.rate_max[axis];
                rate[axis] += below(2) ? reach : -reach;
                rate[axis] = rate[axis] > most ? most : rate[axis] < -most ? -most : rate[axis];
                put_u32(ramp + 4 + 4 * axis, below(100) ? (uint32_t)rate[axis] : dice());
            }
        }
        return (uint8_t)(5 + 12 * ramps);
    }
    default:
        return 0;
    }
}

static void one_frame(void)
{
    static const uint8_t types[] = {
        MSG_HELLO, MSG_CONFIG, MSG_ENABLE, MSG_ENABLE, MSG_ENABLE, MSG_KEEP,  MSG_QUEUE, MSG_QUEUE,
        MSG_QUEUE, MSG_QUEUE,  MSG_QUEUE,  MSG_QUEUE,  MSG_QUEUE,  MSG_QUEUE, MSG_HOLD,  MSG_STOP};
    uint8_t raw[FRAME_BYTES_MAX];
    uint8_t wire[WIRE_BYTES_MAX];
    uint8_t type = below(50) ? types[below(sizeof types)] : (uint8_t)dice();
    raw[0] = type;
    put_u16(raw + 1, (uint16_t)(below(30) ? board.session : dice()));
    put_u16(raw + 3, (uint16_t)(board.last_seq + (below(20) ? 1 : below(3))));
    uint8_t count = (uint8_t)(FRAME_HEADER_BYTES + payload(type, raw + FRAME_HEADER_BYTES));
    if (below(20) == 0) {
        count = (uint8_t)(FRAME_HEADER_BYTES + below(FRAME_BYTES_MAX - FRAME_HEADER_BYTES - 1));
        for (uint8_t i = FRAME_HEADER_BYTES; i < count; i++) {
            raw[i] = (uint8_t)dice();
        }
    }
    uint32_t took = board.accepted;
    uint8_t bytes = frame_write(raw, count, wire);
    uint32_t times = below(25) == 0 ? 2 : 1;
    bool mutate = below(5) == 0;
    if (mutate) {
        for (uint32_t flips = 1 + below(3); flips != 0; flips--) {
            wire[below(bytes)] ^= (uint8_t)(1U << below(8));
        }
    }
    if (below(25) == 0) {
        bytes = (uint8_t)below(bytes); /* cut off */
    }
    for (; times != 0; times--) {
        for (uint8_t i = 0; i < bytes; i++) {
            board_byte(&board, wire[i]);
        }
    }
    accepted += board.accepted > took;
    for (uint32_t noise = below(40) == 0 ? below(200) : 0; noise != 0; noise--) {
        board_byte(&board, (uint8_t)dice());
    }
}

int main(int argc, char **argv)
{
    if (argc != 3) {
        return 2;
    }
    unsigned long frames = strtoul(argv[1], NULL, 10);
    state = strtoull(argv[2], NULL, 10) * 2 + 1;
    board_init(&board, &hal, RESET_POWER_ON);
    for (unsigned long i = 0; i < frames; i++) {
        one_frame();
        for (uint32_t slices = below(3) == 0 ? below(30) : below(2); slices != 0; slices--) {
            if (below(400) == 0) {
                input_bits = (uint8_t)(below(3) ? INPUT_GUARD_CLOSED : dice());
            }
            one_slice();
        }
        if (below(50) == 0) {
            board_index(&board, (uint8_t)below(AXES), below(2), below(2), (int32_t)dice());
        }
        if (below(20000) == 0) {
            board_init(&board, &hal, (uint8_t)below(4)); /* power cut */
        }
    }
    printf("%lu frames, %lu taken into the queue, %lu slices turning, %lu times switched off, "
           "%lu answers\n",
           frames, accepted, turning, went_off, answers);
    return turning == 0 || accepted == 0 || went_off == 0;
}
