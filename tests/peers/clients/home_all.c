/* A homing routine in C for a serial port: every joint of the arm to its switch, as a commissioning
 * calls it. POSIX termios, no library.
 *
 *   dryrig commission --port ./card --hands ./hands --exec "./home_all {port}" --replace homing
 *
 * It says where home is with one JSON line a joint: the angle at which the step counter now reads 0.
 * Exit code 0: homed. 1: not, and the last line on stderr says why.
 *
 * Caution: it moves the arm. Nobody in reach, the path clear, the stop circuit proved and in hand.
 */
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <unistd.h>

static int port;

static void fail(const char *joint, const char *why)
{
    write(port, "ABOR\n", 5);
    fprintf(stderr, "%s: %s\n", joint, why);
    exit(1);
}

/* Sends a line; for a question, returns the first number of the reply, the others in `rest`. */
static double ask(const char *line, double *rest)
{
    static char reply[512];
    size_t length = 0;
    char *at = reply;
    double first;

    write(port, line, strlen(line));
    if (strchr(line, '?') == NULL)
        return 0;
    while (length < sizeof reply - 1 && read(port, reply + length, 1) == 1)
        if (reply[length++] == '\n')
            break;
    reply[length] = '\0';
    first = strtod(at, &at);
    for (int n = 0; rest != NULL && n < 3 && *at == ','; n++)
        rest[n] = strtod(at + 1, &at);
    return first;
}

struct joint {
    const char *name;
    int axis;
    double steps_per_deg; /* full steps x microsteps x ratio / 360, with the joint's direction */
    int sense;            /* towards its switch */
    double switch_deg, fast, slow;
};

/* One search, by at most so many degrees: where the edge was, in steps. */
static double search(const struct joint *j, double deg, double speed, const char *edge)
{
    char line[160];
    double latched[3], per_deg = j->steps_per_deg < 0 ? -j->steps_per_deg : j->steps_per_deg;

    snprintf(line, sizeof line, "STEP:RATE %.0f,(@%d);ACC %.0f,(@%d);:HALT:EDGE %s,(@%d)\n",
             speed * per_deg, j->axis, 100 * per_deg, j->axis, edge, j->axis);
    ask(line, NULL);
    snprintf(line, sizeof line, "STEP:MOVE %.0f,(@%d)\n", deg * j->steps_per_deg, j->axis);
    ask(line, NULL);
    ask("*OPC?\n", NULL);
    snprintf(line, sizeof line, "HALT:LATC? (@%d)\n", j->axis);
    if (ask(line, latched) == 0)
        fail(j->name, "no edge where there should be one");
    return latched[1];
}

static void home(const struct joint *j)
{
    char line[160];
    double step;

    snprintf(line, sizeof line, "SWIT:LEV? (@%d)\n", j->axis);
    if (ask(line, NULL) != 0)
        search(j, -j->sense * 8, j->fast, "FALL");
    search(j, j->sense * 345, j->fast, "RISE");
    search(j, -j->sense * 9, j->fast, "FALL");
    step = search(j, j->sense * 9, j->slow, "RISE");
    snprintf(line, sizeof line, "STEP:COUN? (@%d)\n", j->axis);
    step = ask(line, NULL) - step;
    snprintf(line, sizeof line, "STEP:COUN %.0f,(@%d)\n", step, j->axis);
    ask(line, NULL);
    printf("{\"joint\": \"%s\", \"zero_deg\": %g}\n", j->name, j->switch_deg);
}

int main(int argc, char **argv)
{
    static const struct joint joints[] = {
        /* The shoulder and the elbow first: up, out of the way of the table. */
        {"J2", 2, -200 * 16 * 25 / 360.0, 1, 123, 15, 1},
        {"J3", 3, 200 * 16 * 30 / 360.0, 1, 33, 15, 1},
        {"J1", 1, 200 * 16 * 20 / 360.0, -1, -168, 20, 1},
        {"J4", 4, 200 * 16 * 16 / 360.0, -1, -164, 30, 1.5},
        {"J5", 5, -200 * 16 * 18 / 360.0, -1, -99, 30, 1.5},
        {"J6", 6, 200 * 16 * 12 / 360.0, -1, -174, 30, 1.5},
    };
    struct termios raw;

    if (argc != 2 || (port = open(argv[1], O_RDWR | O_NOCTTY)) < 0) {
        fprintf(stderr, "usage: home_all PORT (a serial device that can be opened)\n");
        return 2;
    }
    if (tcgetattr(port, &raw) == 0) {
        cfmakeraw(&raw);
        tcsetattr(port, TCSANOW, &raw);
    }
    for (size_t n = 0; n < sizeof joints / sizeof *joints; n++)
        home(&joints[n]);
    return 0;
}
