#include "board.h"

#define DEBOUNCE_SLICES 2

static const char FIRMWARE_NAME[12] = "evenwall 1.0";

void board_init(board_t *board, const hal_t *hal, uint8_t reset_cause)
{
    *board = (board_t){0};
    motion_init(&board->motion);
    board->hal = hal;
    board->reset_cause = reset_cause;
    board->mode = MODE_DISABLED;
    board->replies_left = REPLIES_PER_SLICE;
    if (reset_cause == RESET_BROWN_OUT) {
        board->faults = FAULT_BROWN_OUT;
    } else if (reset_cause == RESET_WATCHDOG) {
        board->faults = FAULT_WATCHDOG;
    }
}

static void count_up(uint16_t *counter)
{
    if (*counter != UINT16_MAX) {
        (*counter)++;
    }
}

/* ---- motion ---------------------------------------------------------------------------- */

static void drop_queue(board_t *board)
{
    board->waiting = 0;
    board->queue_slices = 0;
    board->tail_rate[MAJOR] = 0;
    board->tail_rate[MINOR] = 0;
}

static void come_to_rest(board_t *board)
{
    board->mode = board->end_disabled ? MODE_DISABLED : MODE_HOLDING;
    board->end_disabled = false;
    board->ramp_from_queue = false;
    board->coasting = false;
    drop_queue(board);
    motion_rest(&board->motion);
}

/* Ramp both axes to rest together, as gently as the slower-stopping one needs. */
static void ramp_down(board_t *board, bool end_disabled)
{
    drop_queue(board);
    /* A ramp that never finished was never done: the next one queued takes its number. */
    board->accepted = board->ramps_done;
    if (board->mode == MODE_STOPPING) {
        board->end_disabled = board->end_disabled || end_disabled;
    } else if (board->mode == MODE_TURNING) {
        ramp_t rest = {motion_stop_slices(&board->motion, board->config.accel_max), {0, 0}};
        motion_begin(&board->motion, &rest);
        board->mode = MODE_STOPPING;
        board->end_disabled = end_disabled;
        board->ramp_from_queue = false;
        board->coasting = false;
    } else if (board->mode == MODE_HOLDING && end_disabled) {
        board->end_disabled = true;
        come_to_rest(board);
    }
}

static void fault(board_t *board, uint16_t bit)
{
    board->faults |= bit;
    ramp_down(board, true);
}

static void start_next_ramp(board_t *board)
{
    const ramp_t *ramp = &board->queue[board->head];
    board->head = (uint16_t)((board->head + 1) % QUEUE_RAMPS);
    board->waiting--;
    board->queue_slices -= ramp->slices;
    motion_begin(&board->motion, ramp);
    board->ramp_from_queue = true;
    board->coasting = false;
}

static void ramp_ended(board_t *board)
{
    if (board->ramp_from_queue) {
        board->ramps_done++;
    }
    board->ramp_from_queue = false;
    if (board->mode == MODE_STOPPING) {
        come_to_rest(board);
    } else if (board->waiting != 0) {
        start_next_ramp(board);
    } else if (motion_still(&board->motion)) {
        come_to_rest(board);
    } else {
        board->coasting = true;
        board->queue_low_slices = 0;
        board->faults |= FAULT_QUEUE_DRY;
    }
}

static uint8_t count_slices(uint8_t slices, bool on)
{
    if (!on) {
        return 0;
    }
    return slices < DEBOUNCE_SLICES ? (uint8_t)(slices + 1) : slices;
}

static void watch_inputs(board_t *board)
{
    static const uint16_t driver_fault[AXES] = {FAULT_DRIVER_MAJOR, FAULT_DRIVER_MINOR};
    static const uint8_t driver_input[AXES] = {INPUT_DRIVER_FAULT_MAJOR, INPUT_DRIVER_FAULT_MINOR};
    uint8_t inputs = board->hal->inputs(board->hal->ctx);
    board->guard_open_slices =
        count_slices(board->guard_open_slices, (inputs & INPUT_GUARD_CLOSED) == 0);
    for (uint8_t i = 0; i < AXES; i++) {
        board->driver_fault_slices[i] =
            count_slices(board->driver_fault_slices[i], (inputs & driver_input[i]) != 0);
    }
    if (board->mode == MODE_DISABLED) {
        return;
    }
    if (board->guard_open_slices == DEBOUNCE_SLICES) {
        fault(board, FAULT_GUARD_OPEN);
    }
    for (uint8_t i = 0; i < AXES; i++) {
        if (board->driver_fault_slices[i] == DEBOUNCE_SLICES) {
            fault(board, driver_fault[i]);
        }
    }
}

static void watch_silence(board_t *board)
{
    if (board->silent_slices < board->grant_slices) {
        board->silent_slices++;
    } else if (board->mode != MODE_DISABLED
               && !(board->mode == MODE_STOPPING && board->end_disabled)) {
        fault(board, FAULT_HOST_SILENT);
    }
}

/* ---- answers --------------------------------------------------------------------------- */

static uint8_t begin_frame(uint8_t *raw, uint8_t type, uint16_t session, uint16_t seq)
{
    raw[0] = type;
    put_u16(raw + 1, session);
    put_u16(raw + 3, seq);
    return FRAME_HEADER_BYTES;
}

static void send(board_t *board, uint8_t *raw, uint8_t count)
{
    uint8_t wire[WIRE_BYTES_MAX];
    uint8_t bytes = frame_write(raw, count, wire);
    board->hal->send(board->hal->ctx, wire, bytes);
}

static uint8_t put_config(uint8_t *raw, uint8_t at, const config_t *config)
{
    for (uint8_t i = 0; i < AXES; i++) {
        put_u32(raw + at + 4 * i, config->steps_per_turn[i]);
        put_u32(raw + at + 8 + 4 * i, config->rate_max[i]);
        put_u32(raw + at + 16 + 4 * i, config->accel_max[i]);
        put_u16(raw + at + 24 + 2 * i, config->index_tolerance[i]);
    }
    return (uint8_t)(at + 28);
}

static void send_info(board_t *board)
{
    uint8_t raw[FRAME_BYTES_MAX];
    uint8_t at = begin_frame(raw, MSG_INFO, board->reply.session, board->reply.seq);
    put_u16(raw + at, PROTOCOL_VERSION);
    raw[at + 2] = (uint8_t)((board->hal->simulated ? 1 : 0) | (board->configured ? 2 : 0));
    raw[at + 3] = board->reset_cause;
    put_u16(raw + at + 4, QUEUE_RAMPS);
    at = put_config(raw, (uint8_t)(at + 6), &board->config);
    for (uint8_t i = 0; i < sizeof FIRMWARE_NAME; i++) {
        raw[at++] = (uint8_t)FIRMWARE_NAME[i];
    }
    send(board, raw, at);
}

static void send_reply(board_t *board)
{
    uint8_t raw[FRAME_BYTES_MAX];
    board->reply.due = false;
    if (board->reply.to == MSG_HELLO && board->reply.status == STATUS_OK) {
        send_info(board);
        return;
    }
    uint8_t at = begin_frame(raw, MSG_REPLY, board->reply.session, board->reply.seq);
    raw[at] = board->reply.to;
    raw[at + 1] = board->reply.status;
    put_u16(raw + at + 2, (uint16_t)(QUEUE_RAMPS - board->waiting));
    put_u32(raw + at + 4, board->accepted);
    put_u32(raw + at + 8, board->slice);
    send(board, raw, (uint8_t)(at + 12));
}

/* Answer the frame in the reader: the answer carries its session and number. */
static void answer(board_t *board, uint8_t status)
{
    const uint8_t *bytes = board->reader.bytes;
    board->reply = (reply_t){bytes[0], status, get_u16(bytes + 1), get_u16(bytes + 3), true};
    if (board->replies_left != 0) {
        board->replies_left--;
        send_reply(board);
    }
}

static void send_state(board_t *board)
{
    uint8_t raw[FRAME_BYTES_MAX];
    uint8_t at = begin_frame(raw, MSG_STATE, board->session, board->last_seq);
    uint8_t flags = board->guard_open_slices == 0 ? FLAG_GUARD_CLOSED : 0;
    if (board->coasting) {
        flags |= FLAG_COASTING;
    }
    if (board->indexed[MAJOR]) {
        flags |= FLAG_INDEXED_MAJOR;
    }
    if (board->indexed[MINOR]) {
        flags |= FLAG_INDEXED_MINOR;
    }
    put_u32(raw + at, board->slice);
    raw[at + 4] = board->mode;
    raw[at + 5] = flags;
    put_u16(raw + at + 6, board->faults);
    for (uint8_t i = 0; i < AXES; i++) {
        const axis_motion_t *axis = &board->motion.axis[i];
        put_u32(raw + at + 8 + 4 * i, (uint32_t)axis->steps);
        put_u32(raw + at + 16 + 4 * i, (uint32_t)axis->rate);
        put_u32(raw + at + 24 + 4 * i, (uint32_t)board->index_steps[i]);
        put_u32(raw + at + 32 + 4 * i, (uint32_t)board->tail_rate[i]);
    }
    put_u32(raw + at + 40, board->queue_slices + (board->ramp_from_queue ? board->motion.left : 0));
    put_u32(raw + at + 44, board->ramps_done);
    put_u32(raw + at + 48, board->accepted);
    put_u16(raw + at + 52, board->frames_bad);
    put_u16(raw + at + 54, board->steps_late);
    put_u32(raw + at + 56, board->queue_low_slices);
    send(board, raw, (uint8_t)(at + 60));
}

/* ---- commands -------------------------------------------------------------------------- */

static uint8_t do_config(board_t *board, const uint8_t *payload, uint8_t count)
{
    config_t config;
    bool same = board->configured;
    if (count != 28) {
        return STATUS_LENGTH;
    }
    for (uint8_t i = 0; i < AXES; i++) {
        config.steps_per_turn[i] = get_u32(payload + 4 * i);
        config.rate_max[i] = get_u32(payload + 8 + 4 * i);
        config.accel_max[i] = get_u32(payload + 16 + 4 * i);
        config.index_tolerance[i] = get_u16(payload + 24 + 2 * i);
        if (config.steps_per_turn[i] == 0 || config.steps_per_turn[i] > 0x00FFFFFFUL
            || config.rate_max[i] == 0 || config.rate_max[i] > RATE_HARD_MAX
            || config.accel_max[i] == 0 || config.accel_max[i] > RATE_HARD_MAX) {
            return STATUS_CONFIG;
        }
        same = same && config.steps_per_turn[i] == board->config.steps_per_turn[i]
               && config.rate_max[i] == board->config.rate_max[i]
               && config.accel_max[i] == board->config.accel_max[i]
               && config.index_tolerance[i] == board->config.index_tolerance[i];
    }
    if (same) {
        return STATUS_OK;
    }
    if (board->mode != MODE_DISABLED) {
        return STATUS_MODE;
    }
    board->config = config;
    board->configured = true;
    board->indexed[MAJOR] = false;
    board->indexed[MINOR] = false;
    return STATUS_OK;
}

static uint8_t do_enable(board_t *board, const uint8_t *payload, uint8_t count)
{
    if (count != 4) {
        return STATUS_LENGTH;
    }
    uint32_t grant = get_u32(payload);
    if (!board->configured) {
        return STATUS_CONFIG;
    }
    if (grant == 0 || grant > GRANT_SLICES_MAX) {
        return STATUS_GRANT;
    }
    if (board->mode == MODE_TURNING || board->mode == MODE_STOPPING) {
        return STATUS_MODE;
    }
    uint8_t inputs = board->hal->inputs(board->hal->ctx);
    if ((inputs & INPUT_GUARD_CLOSED) == 0 || board->guard_open_slices != 0) {
        return STATUS_GUARD;
    }
    if ((inputs & (INPUT_DRIVER_FAULT_MAJOR | INPUT_DRIVER_FAULT_MINOR)) != 0) {
        return STATUS_DRIVER;
    }
    board->grant_slices = grant;
    board->faults = 0;
    board->mode = MODE_HOLDING;
    board->accepted = 0;
    board->ramps_done = 0;
    board->queue_low_slices = 0;
    drop_queue(board);
    return STATUS_OK;
}

static void read_ramp(const uint8_t *at, ramp_t *ramp)
{
    ramp->slices = get_u32(at);
    ramp->rate[MAJOR] = (int32_t)get_u32(at + 4);
    ramp->rate[MINOR] = (int32_t)get_u32(at + 8);
}

static uint32_t size_of(int32_t rate)
{
    return rate < 0 ? 0U - (uint32_t)rate : (uint32_t)rate;
}

/* Is this ramp, begun at these rates, within every limit? Moves the rates to its end. */
static uint8_t check_ramp(const board_t *board, const ramp_t *ramp, int32_t rate[AXES])
{
    if (ramp->slices == 0 || ramp->slices > RAMP_SLICES_MAX) {
        return STATUS_RATE;
    }
    for (uint8_t i = 0; i < AXES; i++) {
        if (size_of(ramp->rate[i]) > board->config.rate_max[i]) {
            return STATUS_RATE;
        }
        uint32_t change = ramp->rate[i] < rate[i] ? (uint32_t)rate[i] - (uint32_t)ramp->rate[i]
                                                  : (uint32_t)ramp->rate[i] - (uint32_t)rate[i];
        uint32_t slope = change / ramp->slices + (change % ramp->slices != 0);
        if (slope > board->config.accel_max[i]) {
            return STATUS_ACCEL;
        }
        rate[i] = ramp->rate[i];
    }
    return STATUS_OK;
}

static uint8_t do_queue(board_t *board, const uint8_t *payload, uint8_t count)
{
    ramp_t ramp;
    int32_t rate[AXES] = {board->tail_rate[MAJOR], board->tail_rate[MINOR]};
    if (count < 17 || (count - 5) % 12 != 0) {
        return STATUS_LENGTH;
    }
    uint8_t ramps = (uint8_t)((count - 5) / 12);
    bool more = payload[4] != 0;
    if (board->mode != MODE_HOLDING && board->mode != MODE_TURNING) {
        return STATUS_MODE;
    }
    if (get_u32(payload) != board->accepted) {
        return STATUS_ORDINAL;
    }
    if (ramps > QUEUE_RAMPS - board->waiting) {
        return STATUS_FULL;
    }
    for (uint8_t i = 0; i < ramps; i++) {
        read_ramp(payload + 5 + 12 * i, &ramp);
        uint8_t status = check_ramp(board, &ramp, rate);
        if (status != STATUS_OK) {
            return status;
        }
    }
    if (board->mode == MODE_TURNING && board->queue_slices < board->queue_low_slices) {
        board->queue_low_slices = board->queue_slices;
    }
    for (uint8_t i = 0; i < ramps; i++) {
        read_ramp(payload + 5 + 12 * i, &ramp);
        board->queue[(board->head + board->waiting) % QUEUE_RAMPS] = ramp;
        board->waiting++;
        board->queue_slices += ramp.slices;
    }
    board->accepted += ramps;
    board->tail_rate[MAJOR] = rate[MAJOR];
    board->tail_rate[MINOR] = rate[MINOR];
    if (board->mode == MODE_HOLDING && !more) {
        board->mode = MODE_TURNING;
        board->queue_low_slices = board->queue_slices;
        start_next_ramp(board);
    } else if (board->coasting) {
        start_next_ramp(board);
    }
    return STATUS_OK;
}

static uint8_t execute(board_t *board, uint8_t type, const uint8_t *payload, uint8_t count)
{
    switch (type) {
    case MSG_CONFIG:
        return do_config(board, payload, count);
    case MSG_ENABLE:
        return do_enable(board, payload, count);
    case MSG_QUEUE:
        return do_queue(board, payload, count);
    case MSG_KEEP:
    case MSG_HOLD:
    case MSG_STOP:
        if (count != 0) {
            return STATUS_LENGTH;
        }
        if (type != MSG_KEEP) {
            ramp_down(board, type == MSG_STOP);
        }
        return STATUS_OK;
    default:
        return STATUS_TYPE;
    }
}

static void do_hello(board_t *board, uint16_t session, const uint8_t *payload, uint8_t count)
{
    if (count < 2) {
        answer(board, STATUS_LENGTH);
        return;
    }
    if (!board->session_open || session != board->session) {
        board->session = session;
        board->last_seq = 0;
        board->last_type = MSG_HELLO;
        board->session_open = false;
    }
    if (get_u16(payload) != PROTOCOL_VERSION) {
        /* Say who we are, and take no command from a host that would not understand us. */
        board->session_open = false;
        answer(board, STATUS_OK);
        return;
    }
    if (count != 4) {
        answer(board, STATUS_LENGTH);
        return;
    }
    board->session_open = true;
    board->silent_slices = 0;
    board->state_period = get_u16(payload + 2);
    board->state_due = board->state_period;
    answer(board, STATUS_OK);
    send_state(board);
}

static void frame(board_t *board)
{
    const uint8_t *bytes = board->reader.bytes;
    uint8_t type = bytes[0];
    uint16_t session = get_u16(bytes + 1);
    uint16_t seq = get_u16(bytes + 3);
    const uint8_t *payload = bytes + FRAME_HEADER_BYTES;
    uint8_t count = (uint8_t)(board->reader.count - FRAME_HEADER_BYTES);
    if (type == MSG_HELLO) {
        do_hello(board, session, payload, count);
        return;
    }
    if (!board->session_open || session != board->session) {
        if (!board->session_open) {
            answer(board, STATUS_NO_SESSION);
        }
        return; /* a late frame of an older session */
    }
    if (seq == board->last_seq && type == board->last_type) {
        /* Our answer got lost: give it again, do nothing again. */
        board->silent_slices = 0;
        answer(board, board->last_status);
    } else if (seq == (uint16_t)(board->last_seq + 1)) {
        board->silent_slices = 0;
        board->last_seq = seq;
        board->last_type = type;
        board->last_status = execute(board, type, payload, count);
        if (board->last_status == STATUS_OK && type != MSG_KEEP
            && !(type == MSG_QUEUE && payload[4] != 0)) {
            send_state(board); /* so that who reads the answer knows the state already */
        }
        answer(board, board->last_status);
    } else {
        count_up(&board->frames_bad); /* out of order */
    }
}

void board_byte(board_t *board, uint8_t byte)
{
    frame_result_t result = frame_feed(&board->reader, byte);
    if (result == FRAME_GOOD) {
        frame(board);
    } else if (result == FRAME_BAD) {
        count_up(&board->frames_bad);
    }
}

/* ---- time ------------------------------------------------------------------------------ */

void board_slice(board_t *board, slice_t *out)
{
    watch_inputs(board);
    watch_silence(board);
    out->drivers_on = board->mode != MODE_DISABLED;
    out->axis[MAJOR] = (axis_slice_t){0, 0, 0};
    out->axis[MINOR] = (axis_slice_t){0, 0, 0};
    if (board->mode == MODE_TURNING || board->mode == MODE_STOPPING) {
        if (motion_slice(&board->motion, out->axis)) {
            ramp_ended(board);
        }
    }
    board->slice++;
    board->replies_left = REPLIES_PER_SLICE;
    if (board->reply.due) {
        board->replies_left--;
        send_reply(board);
    }
    if (board->session_open && board->state_period != 0) {
        if (board->state_due == 0) {
            board->state_due = board->state_period;
            send_state(board);
        }
        board->state_due--;
    }
}

void board_index(board_t *board, uint8_t axis, bool entered, bool forward, int32_t steps)
{
    static const uint16_t slip_fault[AXES] = {FAULT_SLIP_MAJOR, FAULT_SLIP_MINOR};
    uint16_t tolerance = board->config.index_tolerance[axis];
    /* The index angle is the flag's one edge: entered going forward, left going back. */
    if (!board->configured || tolerance == 0 || entered != forward) {
        return;
    }
    if (board->indexed[axis]) {
        uint32_t turn = board->config.steps_per_turn[axis];
        uint32_t moved = size_of((int32_t)((uint32_t)steps - (uint32_t)board->index_steps[axis]));
        uint32_t off = moved % turn;
        if (off > turn / 2) {
            off = turn - off;
        }
        if (off > tolerance) {
            board->faults |= slip_fault[axis];
        }
    }
    board->indexed[axis] = true;
    board->index_steps[axis] = steps;
}
