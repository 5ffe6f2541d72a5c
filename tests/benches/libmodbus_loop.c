/* The bare peer: libmodbus reading the same blocks over and over, nothing else. Built by benches/wire.rs against the library
 * that is installed; its few functions are declared here, so that no header is needed.
 * Arguments: host, port, unit, seconds, then (function, start, count) for each read. Prints rounds and seconds. */
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

typedef struct _modbus modbus_t;
modbus_t *modbus_new_tcp(const char *ip, int port);
int modbus_set_slave(modbus_t *context, int slave);
int modbus_connect(modbus_t *context);
int modbus_read_bits(modbus_t *context, int start, int count, uint8_t *into);
int modbus_read_input_bits(modbus_t *context, int start, int count, uint8_t *into);
int modbus_read_registers(modbus_t *context, int start, int count, uint16_t *into);
int modbus_read_input_registers(modbus_t *context, int start, int count, uint16_t *into);

static double now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

int main(int argc, char **argv) {
    if (argc < 8 || (argc - 5) % 3 != 0) return 2;
    modbus_t *context = modbus_new_tcp(argv[1], atoi(argv[2]));
    if (!context || modbus_set_slave(context, atoi(argv[3])) || modbus_connect(context)) return 3;
    double end = atof(argv[4]), started = now();
    uint8_t bits[2000];
    uint16_t words[125];
    long rounds = 0;
    while (now() - started < end) {
        for (int i = 5; i + 2 < argc; i += 3) {
            int function = atoi(argv[i]), start = atoi(argv[i + 1]), count = atoi(argv[i + 2]), got;
            if (function == 1) got = modbus_read_bits(context, start, count, bits);
            else if (function == 2) got = modbus_read_input_bits(context, start, count, bits);
            else if (function == 3) got = modbus_read_registers(context, start, count, words);
            else got = modbus_read_input_registers(context, start, count, words);
            if (got != count) return 4;
        }
        rounds++;
    }
    printf("%ld %.9f\n", rounds, now() - started);
    return 0;
}
