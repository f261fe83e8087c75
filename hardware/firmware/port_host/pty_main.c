/* A simulated board as a program: its serial port is a pseudo-terminal, the electrical side of
 * its pins a local socket that speaks one line per question.
 *
 *   evenwall-board --link PATH --pins PATH [--speed N] [--image FILE] [--detached]
 *
 * PATH of --link becomes a symbolic link to the terminal. Virtual time is N times wall time and
 * catches up after a stall. It ends at end-of-file on standard input, or, detached, by the word
 * `quit` on the socket or after a quarter of an hour in which nobody spoke to it.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "protocol.h"
#include "simboard.h"

#define CLIENTS 8
#define LINE_BYTES 80
#define LONELY_S 900.0
#define STRIDE_S 0.02 /* wall seconds run between two looks at the descriptors */

typedef struct {
    int fd;
    size_t count;
    char line[LINE_BYTES];
} client_t;

static simboard_t *sim;
static double speed = 1.0;
static client_t clients[CLIENTS];
static volatile sig_atomic_t over;

static void on_signal(int number)
{
    (void)number;
    over = 1;
}

static double wall_s(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void die(const char *what)
{
    fprintf(stderr, "evenwall-board: %s: %s\n", what, strerror(errno));
    exit(1);
}

static int open_terminal(const char *link, int *slave)
{
    int master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0) {
        die("pseudo-terminal");
    }
    const char *name = ptsname(master);
    /* Held open, so that a host that leaves does not hang up the terminal. */
    *slave = open(name, O_RDWR | O_NOCTTY);
    struct termios mode;
    if (*slave < 0 || tcgetattr(*slave, &mode) != 0) {
        die(name);
    }
    cfmakeraw(&mode);
    tcsetattr(*slave, TCSANOW, &mode);
    unlink(link);
    if (symlink(name, link) != 0) {
        die(link);
    }
    return master;
}

static int open_socket(const char *path)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    int fd = socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    if (fd < 0 || strlen(path) >= sizeof address.sun_path) {
        die(path);
    }
    strcpy(address.sun_path, path);
    unlink(path);
    if (bind(fd, (struct sockaddr *)&address, sizeof address) != 0 || listen(fd, CLIENTS) != 0) {
        die(path);
    }
    return fd;
}

static void obey(const char *line, char *reply, size_t room)
{
    int a;
    int b;
    int c;
    if (strcmp(line, "steps") == 0) {
        int32_t steps[2];
        simboard_steps(sim, steps);
        snprintf(reply, room, "%d %d\n", steps[0], steps[1]);
        return;
    }
    if (strcmp(line, "speed") == 0) {
        snprintf(reply, room, "%.17g\n", speed);
        return;
    }
    if (strcmp(line, "enabled") == 0) {
        snprintf(reply, room, "%d\n", simboard_enabled(sim));
        return;
    }
    if (sscanf(line, "guard %d", &a) == 1) {
        simboard_set_guard(sim, a);
    } else if (sscanf(line, "driver %d %d", &a, &b) == 2 && (a == 0 || a == 1)) {
        simboard_set_driver_fault(sim, a, b);
    } else if (sscanf(line, "slip %d %d", &a, &b) == 2 && (a == 0 || a == 1)) {
        simboard_slip(sim, a, b);
    } else if (sscanf(line, "index %d %d %d", &a, &b, &c) == 3 && (a == 0 || a == 1)) {
        simboard_set_index(sim, a, b, c);
    } else if (sscanf(line, "reset %d", &a) == 1) {
        simboard_reset(sim, a);
    } else if (strcmp(line, "quit") == 0) {
        over = 1;
    } else {
        snprintf(reply, room, "what?\n");
        return;
    }
    snprintf(reply, room, "ok\n");
}

static void serve(client_t *client)
{
    char bytes[256];
    char reply[LINE_BYTES];
    ssize_t count = read(client->fd, bytes, sizeof bytes);
    if (count <= 0) {
        close(client->fd);
        client->fd = -1;
        return;
    }
    for (ssize_t i = 0; i < count; i++) {
        if (bytes[i] != '\n') {
            if (client->count < LINE_BYTES - 1) {
                client->line[client->count++] = bytes[i];
            }
            continue;
        }
        client->line[client->count] = '\0';
        client->count = 0;
        obey(client->line, reply, sizeof reply);
        if (send(client->fd, reply, strlen(reply), MSG_NOSIGNAL) < 0) {
            close(client->fd);
            client->fd = -1;
            return;
        }
    }
}

static void admit(int listener)
{
    int fd = accept4(listener, NULL, NULL, SOCK_CLOEXEC);
    for (int i = 0; fd >= 0 && i < CLIENTS; i++) {
        if (clients[i].fd < 0) {
            clients[i] = (client_t){.fd = fd};
            return;
        }
    }
    if (fd >= 0) {
        close(fd);
    }
}

/* Move bytes between the terminal and the board; true when the host said something. */
static bool move_bytes(int master)
{
    uint8_t bytes[512];
    bool heard = false;
    ssize_t count = read(master, bytes, sizeof bytes);
    while (count > 0) {
        heard = true;
        size_t fed = simboard_feed(sim, bytes, (size_t)count);
        if (fed < (size_t)count || count < (ssize_t)sizeof bytes) {
            break;
        }
        count = read(master, bytes, sizeof bytes);
    }
    size_t out = simboard_read(sim, bytes, sizeof bytes);
    while (out > 0) {
        /* A full terminal means that nobody listens: bytes fall on the floor, as on a wire. */
        if (write(master, bytes, out) < 0 && errno != EAGAIN) {
            break;
        }
        out = simboard_read(sim, bytes, sizeof bytes);
    }
    return heard;
}

int main(int argc, char **argv)
{
    const char *link = NULL;
    const char *pins = NULL;
    const char *image = NULL;
    bool detached = false;
    for (int i = 1; i < argc; i++) {
        if (strcmp(argv[i], "--detached") == 0) {
            detached = true;
        } else if (i + 1 < argc && strcmp(argv[i], "--link") == 0) {
            link = argv[++i];
        } else if (i + 1 < argc && strcmp(argv[i], "--pins") == 0) {
            pins = argv[++i];
        } else if (i + 1 < argc && strcmp(argv[i], "--image") == 0) {
            image = argv[++i];
        } else if (i + 1 < argc && strcmp(argv[i], "--speed") == 0) {
            speed = atof(argv[++i]);
        }
    }
    if (link == NULL || pins == NULL || !(speed > 0.0)) {
        fprintf(stderr, "usage: evenwall-board --link PATH --pins PATH [--speed N > 0] "
                        "[--image FILE] [--detached]\n");
        return 2;
    }
    if (detached) {
        pid_t child = fork();
        if (child != 0) {
            return child < 0;
        }
        setsid();
    }
    sim = simboard_new(image);
    if (sim == NULL) {
        fprintf(stderr, "evenwall-board: cannot start %s\n", image == NULL ? "the core" : image);
        return 1;
    }
    /* Ctrl-C goes to the whole group; the host decides when its board ends. */
    signal(SIGINT, SIG_IGN);
    signal(SIGTERM, on_signal);
    signal(SIGHUP, detached ? SIG_IGN : on_signal);
    int slave;
    int master = open_terminal(link, &slave);
    int listener = open_socket(pins);
    for (int i = 0; i < CLIENTS; i++) {
        clients[i].fd = -1;
    }
    if (write(STDOUT_FILENO, "ready\n", 6) != 6) {
        die("standard output");
    }
    if (detached) {
        int nowhere = open("/dev/null", O_RDWR);
        dup2(nowhere, STDIN_FILENO);
        dup2(nowhere, STDOUT_FILENO);
        dup2(nowhere, STDERR_FILENO);
    }

    double start_s = wall_s();
    double heard_s = start_s;
    double done_s = 0.0; /* wall seconds already lived through */
    while (!over) {
        struct pollfd watched[3 + CLIENTS] = {
            {.fd = master, .events = POLLIN},
            {.fd = listener, .events = POLLIN},
            {.fd = detached ? -1 : STDIN_FILENO, .events = POLLIN},
        };
        for (int i = 0; i < CLIENTS; i++) {
            watched[3 + i] = (struct pollfd){.fd = clients[i].fd, .events = POLLIN};
        }
        double due_s = wall_s() - start_s;
        bool behind = due_s > done_s + STRIDE_S;
        if (poll(watched, 3 + CLIENTS, behind ? 0 : 1) < 0 && errno != EINTR) {
            die("poll");
        }
        if (watched[1].revents & POLLIN) {
            admit(listener);
        }
        char discard[64];
        if (watched[2].revents != 0 && read(STDIN_FILENO, discard, sizeof discard) <= 0) {
            break;
        }
        for (int i = 0; i < CLIENTS; i++) {
            if (clients[i].fd >= 0 && watched[3 + i].fd == clients[i].fd && watched[3 + i].revents) {
                heard_s = wall_s();
                serve(&clients[i]);
            }
        }
        due_s = wall_s() - start_s;
        done_s = due_s > done_s + STRIDE_S ? done_s + STRIDE_S : due_s;
        if (move_bytes(master)) {
            heard_s = wall_s();
        }
        simboard_run(sim, (uint64_t)(done_s * speed * (double)CYCLES_PER_S));
        move_bytes(master);
        if (detached && wall_s() - heard_s > LONELY_S) {
            break;
        }
    }
    unlink(link);
    unlink(pins);
    close(slave);
    simboard_free(sim);
    return 0;
}
