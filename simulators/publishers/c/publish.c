/* Sends a simulated rider's marker frames: publish ADDRESS [SECONDS] [TIMES FASTER]
 *
 * cc -O2 -o publish publish.c -lzmq -lm
 */
#define _POSIX_C_SOURCE 200809L
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>
#include <zmq.h>

enum { RATE_HZ = 100, SIDES = 2, MARKERS = 8, LABELS = SIDES * MARKERS, MOST = 5 };

static const double PI = 3.14159265358979323846;
static const char *const MARKER[MARKERS] = {"AC", "EL", "US", "GT", "LE", "LM", "CA", "VM"};
static char stream[32];

/* --- msgpack: just what the messages need ------------------------------------------------------ */

static uint8_t message[8192];
static size_t used;

static void bytes(const void *from, size_t count) {
    if (used + count > sizeof message) {
        fputs("the message is larger than its buffer\n", stderr);
        exit(1);
    }
    memcpy(message + used, from, count);
    used += count;
}

static void byte(unsigned value) {
    uint8_t one = (uint8_t)value;
    bytes(&one, 1);
}

/* msgpack's own lengths and numbers are big-endian. */
static void big_endian(uint64_t value, int size) {
    for (int shift = 8 * (size - 1); shift >= 0; shift -= 8) byte((unsigned)(value >> shift) & 0xff);
}

/* What lies inside a buffer is little-endian. */
static void little_endian(uint64_t value, int size) {
    for (int shift = 0; shift < 8 * size; shift += 8) byte((unsigned)(value >> shift) & 0xff);
}

static uint64_t bits64(double value) {
    uint64_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}

static uint32_t bits32(float value) {
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}

static void map(unsigned entries) { byte(0x80 | entries); } /* up to 15 */

static void text(const char *value) { /* up to 255 bytes */
    byte(0xd9);
    byte((unsigned)strlen(value));
    bytes(value, strlen(value));
}

static void integer(uint64_t value) {
    byte(0xcf);
    big_endian(value, 8);
}

static void number(double value) {
    byte(0xcb);
    big_endian(bits64(value), 8);
}

static void buffer(size_t length) { /* its bytes follow */
    byte(0xc6);
    big_endian(length, 4);
}

/* --- the rider --------------------------------------------------------------------------------- */

typedef struct { double x, z; } Point;

static Point along(Point from, double distance, Point direction) {
    return (Point){from.x + distance * direction.x, from.z + distance * direction.z};
}

static void leg(double crank, Point place[MARKERS]) {
    Point axis = {1000, 280}, hip = {1000 - 230, 280 + 770};
    double pitch = (20 + 12 * sin(crank - 40 * PI / 180)) * PI / 180;
    Point forward = {cos(pitch), -sin(pitch)}, up = {sin(pitch), cos(pitch)};
    Point spindle = along(axis, 170, (Point){sin(crank), cos(crank)});
    Point toe = along(along(spindle, 8, forward), 30, up);
    Point heel = along(toe, -180, forward);
    Point ankle = along(along(heel, 45, forward), 60, up);
    double dx = ankle.x - hip.x, dz = ankle.z - hip.z, far = hypot(dx, dz);
    double out = sqrt(430.0 * 430.0 - far * far / 4) / far;
    Point knee = {hip.x + dx / 2 - out * dz, hip.z + dz / 2 + out * dx};
    Point shoulder = {hip.x + 350, hip.z + 350};
    Point elbow = {shoulder.x + 150, shoulder.z - 230}, wrist = {elbow.x + 200, elbow.z - 130};
    Point all[MARKERS] = {shoulder, elbow, wrist, hip, knee, ankle, heel, toe};
    memcpy(place, all, sizeof all);
}

static void positions(uint64_t frame) {
    for (int side = 0; side < SIDES; side++) {
        Point place[MARKERS];
        leg(3 * PI * (double)frame / RATE_HZ + (side == 0 ? PI : 0), place);
        for (int k = 0; k < MARKERS; k++) {
            int missing = side == 1 && k == 2 && frame % 10 == 0;
            double xyz[3] = {place[k].x, side == 0 ? 2130 : 1870, place[k].z};
            for (int i = 0; i < 3; i++) {
                little_endian(bits32(missing ? NAN : (float)xyz[i]), 4);
            }
        }
    }
}

/* --- the protocol ------------------------------------------------------------------------------ */

static double now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void publish(void *socket, const char *topic) {
    zmq_send(socket, topic, strlen(topic), ZMQ_SNDMORE);
    zmq_send(socket, message, used, 0);
}

static void publish_description(void *socket) {
    used = 0;
    map(8);
    text("version"), integer(1);
    text("stream"), text(stream);
    text("source"), text("rider in C");
    text("labels"), byte(0xdc), big_endian(LABELS, 2);
    for (int k = 0; k < LABELS; k++) {
        char label[8];
        snprintf(label, sizeof label, "%c_%s", k < MARKERS ? 'L' : 'R', MARKER[k % MARKERS]);
        text(label);
    }
    text("unit"), text("mm");
    text("up"), text("+z");
    text("rate_hz"), number(RATE_HZ);
    text("side"), text("both");
    publish(socket, "description");
}

static void publish_frames(void *socket, uint64_t first, unsigned count) {
    used = 0;
    map(6);
    text("stream"), text(stream);
    text("first"), integer(first);
    text("count"), integer(count);
    text("t"), buffer(8 * count);
    for (unsigned i = 0; i < count; i++) little_endian(bits64((double)(first + i) / RATE_HZ), 8);
    text("xyz"), buffer(4 * 3 * LABELS * count);
    for (unsigned i = 0; i < count; i++) positions(first + i);
    text("sent"), number(now());
    publish(socket, "frames");
}

/* An XPUB socket receives byte 1 and the topic when somebody subscribes. */
static void greet(void *socket) {
    uint8_t event[64];
    int length;
    while ((length = zmq_recv(socket, event, sizeof event, ZMQ_DONTWAIT)) > 0) {
        if (event[0] == 1) publish_description(socket);
    }
}

int main(int arguments, char **argument) {
    const char *address = arguments > 1 ? argument[1] : "tcp://127.0.0.1:47800";
    double seconds = arguments > 2 ? atof(argument[2]) : 0;
    double faster = arguments > 3 ? atof(argument[3]) : 1;
    void *context = zmq_ctx_new(), *socket = zmq_socket(context, ZMQ_XPUB);
    int each_one = 1, keep = 10000, linger = 0;
    zmq_setsockopt(socket, ZMQ_XPUB_VERBOSER, &each_one, sizeof each_one);
    zmq_setsockopt(socket, ZMQ_SNDHWM, &keep, sizeof keep);
    zmq_setsockopt(socket, ZMQ_LINGER, &linger, sizeof linger);
    if (zmq_bind(socket, address) != 0) {
        fprintf(stderr, "cannot listen at %s: %s\n", address, zmq_strerror(zmq_errno()));
        return 1;
    }
    snprintf(stream, sizeof stream, "c-%ld-%.6f", (long)getpid(), now());
    double began = now();
    uint64_t next = 0;
    while (seconds == 0 || (double)next < seconds * RATE_HZ) {
        greet(socket);
        if (next % 97 == 96) next++; /* every 97th frame is lost */
        unsigned count = 1;
        while (count < MOST && (next + count) % 97 != 96) count++;
        publish_frames(socket, next, count);
        next += count;
        double early = (double)next / RATE_HZ / faster - (now() - began);
        if (early > 0) {
            struct timespec nap = {(time_t)early, (long)(1e9 * (early - floor(early)))};
            nanosleep(&nap, NULL);
        }
    }
    zmq_close(socket);
    zmq_ctx_term(context);
    return 0;
}
