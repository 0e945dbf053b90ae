/* Homes J5 of the Heron on its limit switch, over the words of README, section "card".
 *
 *     cc -O2 -Wall -o home home.c
 *     ./home /dev/pts/3
 *
 * POSIX termios, nothing else. Exit code 0: home. 1: stopped, with the reason.
 */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

static const double STEPS_PER_DEG = 200.0 * 16 * 18 / 360; /* full steps x microsteps x ratio */
static const int DEADLINE_MS = 60000;
static int card;

static void stop(const char *reason, const char *more)
{
    fprintf(stderr, "stopped: %s %s\n", reason, more);
    exit(1);
}

static void open_card(const char *path)
{
    struct termios line;

    /* Without O_NONBLOCK a UART may wait here for a carrier that never comes. */
    card = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (card < 0 || fcntl(card, F_SETFL, 0) < 0 || tcgetattr(card, &line) < 0)
        stop(path, strerror(errno));
    line.c_iflag = 0;
    line.c_oflag = 0;
    line.c_lflag = 0;
    line.c_cflag = CS8 | CREAD | CLOCAL;
    line.c_cc[VMIN] = 1;
    line.c_cc[VTIME] = 0;
    cfsetispeed(&line, B115200);
    cfsetospeed(&line, B115200);
    if (tcsetattr(card, TCSANOW, &line) < 0 || tcflush(card, TCIOFLUSH) < 0)
        stop(path, strerror(errno));
}

static void tell(const char *format, ...)
{
    char text[128];
    va_list values;
    size_t size, sent = 0;

    va_start(values, format);
    size = (size_t)vsnprintf(text, sizeof text - 1, format, values);
    va_end(values);
    if (size >= sizeof text - 1)
        stop("too long:", text);
    text[size++] = '\n';
    while (sent < size) {
        ssize_t now = write(card, text + sent, size - sent);
        if (now < 0 && errno != EINTR)
            stop("write:", strerror(errno));
        sent += now > 0 ? (size_t)now : 0;
    }
}

/* One line of reply, without its end. */
static const char *ask(const char *query)
{
    static char reply[256];
    size_t size = 0;
    struct pollfd readable = {.fd = card, .events = POLLIN};

    tell("%s", query);
    for (;;) {
        char byte;
        if (poll(&readable, 1, DEADLINE_MS) <= 0 || read(card, &byte, 1) != 1)
            stop("no reply to", query);
        if (byte == '\n')
            break;
        if (size + 1 < sizeof reply)
            reply[size++] = byte;
    }
    reply[size] = 0;
    return reply;
}

/* By at most so many degrees, positive towards the switch, until its edge; the step there. */
static long go(double degrees, double degrees_per_s, const char *edge)
{
    int hit;
    long count, step;

    tell("STEP:RATE %.0f,(@5)", degrees_per_s * STEPS_PER_DEG);
    tell("HALT:EDGE %s,(@5)", edge);
    tell("STEP:MOVE %.0f,(@5)", degrees * STEPS_PER_DEG);
    ask("*OPC?"); /* answered when nothing moves any more */
    if (sscanf(ask("HALT:LATC? (@5)"), "%d,%ld,%ld", &hit, &count, &step) != 3 || !hit)
        stop("J5: no edge, look at the switch:", edge);
    return step;
}

int main(int argc, char **argv)
{
    long home;

    if (argc != 2)
        stop("expected the card's device, such as", "/dev/pts/3");
    open_card(argv[1]);
    tell("*RST;*CLS;STEP:ACC %.0f,(@5)", 200 * STEPS_PER_DEG);
    tell("DRIV:ENAB ON,(@5)");
    if (strcmp(ask("SWIT:LEV? (@5)"), "0") == 0)
        go(220, 30, "RISE"); /* fast search, bounded by the whole travel */
    go(-6, 5, "FALL");         /* back off until the switch lets go */
    home = go(6, 1.5, "RISE"); /* slow search: this edge is home */
    tell("STEP:COUN %ld,(@5)", strtol(ask("STEP:COUN? (@5)"), NULL, 10) - home);
    if (strncmp(ask("SYST:ERR?"), "0,", 2) != 0)
        stop("the card reports", "an error");
    printf("J5 is home, now at step %s\n", ask("STEP:COUN? (@5)"));
    close(card);
    return 0;
}
