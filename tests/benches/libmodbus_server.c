/* The bare server: the loop of libmodbus that serves one connection after the other, with nothing behind its tables. Built by
 * benches/wire.rs against the library that is installed; its few functions are declared here, so that no header is needed.
 * Listens on a free port of 127.0.0.1 and prints it. Ends when its standard input ends. */
#include <arpa/inet.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/socket.h>
#include <unistd.h>

typedef struct _modbus modbus_t;
typedef struct _modbus_mapping modbus_mapping_t;
modbus_t *modbus_new_tcp(const char *ip, int port);
modbus_mapping_t *modbus_mapping_new(int bits, int input_bits, int registers, int input_registers);
int modbus_tcp_accept(modbus_t *context, int *listener);
int modbus_receive(modbus_t *context, uint8_t *request);
int modbus_reply(modbus_t *context, const uint8_t *request, int length, modbus_mapping_t *mapping);
void modbus_close(modbus_t *context);

/* The longest request of Modbus TCP, bytes. */
enum { LONGEST = 260 };

static int listening(int *port) {
    int listener = socket(AF_INET, SOCK_STREAM, 0);
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
    socklen_t length = sizeof at;
    if (listener < 0 || bind(listener, (struct sockaddr *)&at, sizeof at) || listen(listener, 1) ||
        getsockname(listener, (struct sockaddr *)&at, &length))
        return -1;
    *port = ntohs(at.sin_port);
    return listener;
}

/* Whether a connection waits; ends the program once its standard input has ended. */
static int awaited(int listener) {
    struct pollfd both[2] = {{.fd = listener, .events = POLLIN}, {.fd = 0, .events = POLLIN}};
    if (poll(both, 2, -1) < 0 || both[1].revents) exit(0);
    return both[0].revents != 0;
}

int main(void) {
    int port, listener = listening(&port);
    if (listener < 0) return 2;
    modbus_t *context = modbus_new_tcp("127.0.0.1", port);
    modbus_mapping_t *mapping = modbus_mapping_new(64, 64, 64, 64);
    if (!context || !mapping) return 3;
    printf("%d\n", port);
    fflush(stdout);
    uint8_t request[LONGEST];
    while (awaited(listener)) {
        if (modbus_tcp_accept(context, &listener) < 0) return 4;
        for (int length; (length = modbus_receive(context, request)) >= 0;)
            if (length > 0 && modbus_reply(context, request, length, mapping) < 0) break;
        modbus_close(context);
    }
    return 0;
}
