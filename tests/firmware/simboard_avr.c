/* The chip's own binary in simavr, behind the functions of a simulated board. Adds what the
 * simulator leaves out: the chip's two-byte receive buffer, frame length without parity, bytes at
 * the line's pace, the index switches; and takes down what the tests want to know: the cycle of
 * every STEP edge, idle cycles, the deepest stack, lost bytes. */
#include "simboard.h"

#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_irq.h>
#include <simavr/sim_time.h>
#include <stdlib.h>
#include <string.h>

#include "pins_of_board.h"
#include "protocol.h"

#define IN_BYTES (1U << 20)
#define OUT_BYTES (1U << 20)
#define EDGES (1U << 22)
#define CYCLES_PER_BYTE 640 /* ten bits at 250000 baud */
#define MCUSR_AT 0x54
#define SPL_AT 0x5D
#define FLAG_PART 8 /* the index flag is an eighth of a turn wide */
#define UNUSED_RAM 0xA5

typedef struct {
    int32_t steps;
    int32_t slipped;
    int32_t per_turn;
    int32_t flag_at;
    int inside;
    uint64_t *edges;
    uint32_t edge_count;
} sim_axis_t;

struct simboard {
    avr_t *avr;
    avr_uart_t *uart;
    avr_irq_t *uart_in;
    sim_axis_t axis[2];
    uint64_t idle;
    uint64_t lost_bytes;
    int enable_dips; /* times the enable line went low */
    uint32_t ram_end;
    uint8_t driven[3]; /* inputs of ports B, C, D that the outside drives */
    uint8_t levels[3];
    uint8_t *in;
    uint32_t in_from, in_count;
    int in_running;
    uint32_t hung_at; /* program counter, 0 when not hung */
    uint8_t hung_code[2];
    uint8_t *out;
    uint32_t out_from, out_count;
};

static const char index_port[2] = {INDEX_MAJOR_PORT_NAME, INDEX_MINOR_PORT_NAME};
static const int index_bit[2] = {INDEX_MAJOR_BIT, INDEX_MINOR_BIT};
static const char step_port[2] = {STEP_MAJOR_PORT_NAME, STEP_MINOR_PORT_NAME};
static const int step_bit[2] = {STEP_MAJOR_BIT, STEP_MINOR_BIT};
static const char dir_port[2] = {DIR_MAJOR_PORT_NAME, DIR_MINOR_PORT_NAME};
static const int dir_bit[2] = {DIR_MAJOR_BIT, DIR_MINOR_BIT};
static const char fault_port[2] = {DRIVER_OK_MAJOR_PORT_NAME, DRIVER_OK_MINOR_PORT_NAME};
static const int fault_bit[2] = {DRIVER_OK_MAJOR_BIT, DRIVER_OK_MINOR_BIT};

static int port_level(const simboard_t *sim, char port, int bit)
{
    /* PORTB, C, D lie at 0x25, 0x28, 0x2B. */
    return (sim->avr->data[0x25 + 3 * (port - 'B')] >> bit) & 1;
}

static int port_is_output(const simboard_t *sim, char port, int bit)
{
    return (sim->avr->data[0x24 + 3 * (port - 'B')] >> bit) & 1;
}

static avr_irq_t *pin_irq(simboard_t *sim, char port, int bit)
{
    return avr_io_getirq(sim->avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit);
}

/* Drive an input from outside: at once, and again whenever the simulator works the port out. */
static void drive(simboard_t *sim, char port, int bit, int level)
{
    uint8_t *mask = &sim->driven[port - 'B'];
    uint8_t *value = &sim->levels[port - 'B'];
    *mask = (uint8_t)(*mask | (1U << bit));
    *value = (uint8_t)((*value & ~(1U << bit)) | ((unsigned)(level != 0) << bit));
    avr_ioport_external_t external = {.name = (unsigned)port, .mask = *mask, .value = *value};
    avr_ioctl(sim->avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &external);
    avr_raise_irq(pin_irq(sim, port, bit), (uint32_t)level);
}

static void show_flag(simboard_t *sim, int index)
{
    sim_axis_t *axis = &sim->axis[index];
    if (axis->per_turn == 0) {
        return;
    }
    int32_t place = (axis->steps - axis->slipped - axis->flag_at) % axis->per_turn;
    place += place < 0 ? axis->per_turn : 0;
    int inside = place < axis->per_turn / FLAG_PART;
    if (inside != axis->inside) {
        axis->inside = inside;
        drive(sim, index_port[index], index_bit[index], !inside);
    }
}

static void on_step(simboard_t *sim, int index, uint32_t level)
{
    sim_axis_t *axis = &sim->axis[index];
    if (level == 0) {
        return;
    }
    axis->steps += port_level(sim, dir_port[index], dir_bit[index]) ? 1 : -1;
    if (axis->edge_count < EDGES) {
        axis->edges[axis->edge_count++] = sim->avr->cycle;
    }
    show_flag(sim, index);
}

static void on_step_major(avr_irq_t *irq, uint32_t value, void *param)
{
    if (value != irq->value) {
        on_step(param, 0, value);
    }
}

static void on_step_minor(avr_irq_t *irq, uint32_t value, void *param)
{
    if (value != irq->value) {
        on_step(param, 1, value);
    }
}

static void on_enable(avr_irq_t *irq, uint32_t value, void *param)
{
    simboard_t *sim = param;
    if (value == 0 && irq->value != 0) {
        sim->enable_dips++;
    }
}

static void on_byte(avr_irq_t *irq, uint32_t value, void *param)
{
    simboard_t *sim = param;
    (void)irq;
    if (sim->out_count < OUT_BYTES) {
        sim->out[(sim->out_from + sim->out_count++) % OUT_BYTES] = (uint8_t)value;
    }
}

static unsigned unread(const simboard_t *sim)
{
    const uart_fifo_t *fifo = &sim->uart->input;
    return (unsigned)(fifo->write - fifo->read) % uart_fifo_fifo_size;
}

/* A byte begins on the line. With two bytes unread and a third in the shift register, a new start
 * bit loses a byte (data sheet, USART, "data overrun"). */
static avr_cycle_count_t on_line(avr_t *avr, avr_cycle_count_t when, void *param)
{
    simboard_t *sim = param;
    (void)avr;
    if (sim->in_count == 0) {
        sim->in_running = 0;
        return 0;
    }
    if (sim->uart->cycles_per_byte != CYCLES_PER_BYTE) {
        sim->uart->cycles_per_byte = CYCLES_PER_BYTE;
    }
    uint8_t byte = sim->in[sim->in_from++ % IN_BYTES];
    sim->in_count--;
    if (unread(sim) >= 3) {
        sim->lost_bytes++;
    } else {
        avr_raise_irq(sim->uart_in, byte);
    }
    return when + CYCLES_PER_BYTE;
}

static void on_sleep(avr_t *avr, avr_cycle_count_t cycles)
{
    ((simboard_t *)avr->custom.data)->idle += cycles;
}

static avr_cycle_count_t on_until(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr;
    (void)when;
    (void)param;
    return 0;
}

static void wake(simboard_t *sim, int cause)
{
    static const uint8_t flags[4] = {1, 2, 4, 8}; /* PORF, EXTRF, BORF, WDRF by RESET_* */
    avr_reset(sim->avr);
    sim->avr->data[MCUSR_AT] = flags[cause & 3];
    if (cause == RESET_POWER_ON || cause == RESET_BROWN_OUT) {
        memset(sim->avr->data + 0x100, UNUSED_RAM, 2048);
    }
    uint32_t plain = 0; /* print nothing, sleep nowhere */
    avr_ioctl(sim->avr, AVR_IOCTL_UART_SET_FLAGS('0'), &plain);
}

simboard_t *simboard_new(const char *image)
{
    elf_firmware_t firmware = {0};
    if (image == NULL || elf_read_firmware(image, &firmware) != 0) {
        return NULL;
    }
    simboard_t *sim = calloc(1, sizeof *sim);
    avr_t *avr = avr_make_mcu_by_name("atmega328p");
    if (sim == NULL || avr == NULL) {
        return NULL;
    }
    sim->avr = avr;
    avr_init(avr);
    avr->log = LOG_NONE;
    avr_load_firmware(avr, &firmware);
    avr->frequency = CYCLES_PER_S;
    avr->custom.data = (uint8_t *)sim;
    avr->sleep = on_sleep;
    sim->ram_end = avr->ramend;
    sim->in = malloc(IN_BYTES);
    sim->out = malloc(OUT_BYTES);
    for (avr_io_t *io = avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "uart") == 0) {
            sim->uart = (avr_uart_t *)io;
        }
    }
    wake(sim, RESET_POWER_ON);
    sim->uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT),
                            on_byte, sim);
    for (int i = 0; i < 2; i++) {
        sim->axis[i].edges = malloc(EDGES * sizeof(uint64_t));
        drive(sim, index_port[i], index_bit[i], 1);
        drive(sim, fault_port[i], fault_bit[i], 0);
    }
    avr_irq_register_notify(pin_irq(sim, step_port[0], step_bit[0]), on_step_major, sim);
    avr_irq_register_notify(pin_irq(sim, step_port[1], step_bit[1]), on_step_minor, sim);
    avr_irq_register_notify(pin_irq(sim, DRIVERS_ENABLE_PORT_NAME, DRIVERS_ENABLE_BIT), on_enable,
                            sim);
    simboard_set_guard(sim, 1);
    return sim;
}

void simboard_free(simboard_t *sim)
{
    avr_terminate(sim->avr);
    for (int i = 0; i < 2; i++) {
        free(sim->axis[i].edges);
    }
    free(sim->in);
    free(sim->out);
    free(sim);
}

void simboard_reset(simboard_t *sim, int cause)
{
    wake(sim, cause);
    for (int i = 0; i < 2; i++) {
        drive(sim, index_port[i], index_bit[i], !sim->axis[i].inside);
    }
    sim->in_count = 0;
    sim->in_running = 0;
}

uint64_t simboard_now(const simboard_t *sim)
{
    return sim->avr->cycle;
}

void simboard_run(simboard_t *sim, uint64_t until_cycles)
{
    avr_t *avr = sim->avr;
    if (avr->cycle >= until_cycles) {
        return;
    }
    /* So that sleep ends in time. */
    avr_cycle_timer_register(avr, until_cycles - avr->cycle, on_until, sim);
    while (avr->cycle < until_cycles) {
        int state = avr_run(avr);
        if (sim->hung_at != 0 && avr->pc != sim->hung_at) {
            memcpy(avr->flash + sim->hung_at, sim->hung_code, 2); /* it was reset */
            sim->hung_at = 0;
        }
        if (state == cpu_Done || state == cpu_Crashed) {
            abort();
        }
    }
}

size_t simboard_feed(simboard_t *sim, const uint8_t *bytes, size_t count)
{
    size_t taken = 0;
    while (taken < count && sim->in_count < IN_BYTES) {
        sim->in[(sim->in_from + sim->in_count++) % IN_BYTES] = bytes[taken++];
    }
    if (!sim->in_running && sim->in_count != 0) {
        sim->in_running = 1;
        avr_cycle_timer_register(sim->avr, 1, on_line, sim);
    }
    return taken;
}

size_t simboard_read(simboard_t *sim, uint8_t *out, size_t room)
{
    size_t count = 0;
    while (count < room && sim->out_count != 0) {
        out[count++] = sim->out[sim->out_from++ % OUT_BYTES];
        sim->out_count--;
    }
    return count;
}

void simboard_steps(const simboard_t *sim, int32_t steps[2])
{
    steps[0] = sim->axis[0].steps;
    steps[1] = sim->axis[1].steps;
}

int simboard_enabled(const simboard_t *sim)
{
    return port_is_output(sim, DRIVERS_ENABLE_PORT_NAME, DRIVERS_ENABLE_BIT)
           && !port_level(sim, DRIVERS_ENABLE_PORT_NAME, DRIVERS_ENABLE_BIT);
}

void simboard_set_guard(simboard_t *sim, int closed)
{
    drive(sim, GUARD_PORT_NAME, GUARD_BIT, !closed);
}

void simboard_set_driver_fault(simboard_t *sim, int axis, int on)
{
    drive(sim, fault_port[axis], fault_bit[axis], on);
}

void simboard_slip(simboard_t *sim, int axis, int32_t steps)
{
    sim->axis[axis].slipped += steps;
    show_flag(sim, axis);
}

void simboard_set_index(simboard_t *sim, int axis, int32_t steps_per_turn, int32_t at)
{
    sim->axis[axis].per_turn = steps_per_turn;
    sim->axis[axis].flag_at = at;
    show_flag(sim, axis);
}

/* ---- what only the chip has ------------------------------------------------------------- */

/* Cycles of the STEP edges since the last call, oldest first. */
size_t simboard_edges(simboard_t *sim, int axis, uint64_t *out, size_t room);
uint64_t simboard_idle_cycles(const simboard_t *sim);
uint64_t simboard_lost_bytes(const simboard_t *sim);
int simboard_enable_dips(const simboard_t *sim);
/* Bytes of RAM that were never written since power-on: what the stack left free. */
int simboard_stack_free(const simboard_t *sim);
/* The index wire to the other level for 5 ms. */
void simboard_index_spike(simboard_t *sim, int axis);
/* The main loop hangs: nothing but the hardware watchdog can help. */
void simboard_hang(simboard_t *sim);

size_t simboard_edges(simboard_t *sim, int axis, uint64_t *out, size_t room)
{
    sim_axis_t *of = &sim->axis[axis];
    size_t count = of->edge_count < room ? of->edge_count : room;
    memcpy(out, of->edges, count * sizeof *out);
    of->edge_count = 0;
    return count;
}

uint64_t simboard_idle_cycles(const simboard_t *sim)
{
    return sim->idle;
}

uint64_t simboard_lost_bytes(const simboard_t *sim)
{
    return sim->lost_bytes;
}

int simboard_enable_dips(const simboard_t *sim)
{
    return sim->enable_dips;
}

int simboard_stack_free(const simboard_t *sim)
{
    int longest = 0;
    int run = 0;
    for (uint32_t at = 0x100; at <= sim->ram_end; at++) {
        run = sim->avr->data[at] == UNUSED_RAM ? run + 1 : 0;
        longest = run > longest ? run : longest;
    }
    return longest;
}

void simboard_index_spike(simboard_t *sim, int axis)
{
    int level = !sim->axis[axis].inside;
    drive(sim, index_port[axis], index_bit[axis], !level);
    simboard_run(sim, sim->avr->cycle + 80000);
    drive(sim, index_port[axis], index_bit[axis], level);
}

void simboard_hang(simboard_t *sim)
{
    avr_t *avr = sim->avr;
    avr->sreg[S_I] = 0;
    avr->state = cpu_Running;
    sim->hung_at = avr->pc;
    memcpy(sim->hung_code, avr->flash + avr->pc, 2);
    /* A branch onto itself. */
    avr->flash[avr->pc] = 0xFF;
    avr->flash[avr->pc + 1] = 0xCF;
}
