/* A Modbus server made of libmodbus, for trying our client against somebody else's code.
 *
 *   server tcp UNIT            serves any number of connections on a free port of 127.0.0.1
 *   server rtu UNIT DEVICE     serves a serial device at 19200 8N2
 *
 * Prints "ready PORT" (0 for rtu) when it can be asked, and runs until it is killed. All four
 * tables have 256 entries; a coil of 240 and above ignores being switched off.
 */
#include <errno.h>
#include <modbus.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>
#include <unistd.h>

enum { ENTRIES = 256, FIRST_STUCK_COIL = 240 };

static modbus_t *context;
static modbus_mapping_t *tables;

static void fill_tables(void)
{
    static const uint8_t coils[] = {0xCD, 0x6B, 0x05};
    static const uint8_t inputs[] = {0xAC, 0xDB, 0x35};
    tables = modbus_mapping_new(ENTRIES, ENTRIES, ENTRIES, ENTRIES);
    if (tables == NULL)
        exit(1);
    modbus_set_bits_from_bytes(tables->tab_bits, 0x13, 19, coils);
    modbus_set_bits_from_bytes(tables->tab_input_bits, 0xC4, 22, inputs);
    tables->tab_registers[0x6B] = 555;
    tables->tab_registers[0x6D] = 100;
    tables->tab_input_registers[8] = 10;
    tables->tab_input_registers[16] = 0x42F6; /* 123.456 */
    tables->tab_input_registers[17] = 0xE979;
}

/* Answers one request. Returns -1 when the other end has gone. */
static int answer(int unit)
{
    uint8_t query[MODBUS_MAX_ADU_LENGTH];
    uint8_t stuck[ENTRIES - FIRST_STUCK_COIL];
    int length = modbus_receive(context, query);
    if (length < 0)
        return -1;
    if (length == 0)
        return 0; /* for another unit */
    if (query[modbus_get_header_length(context) - 1] != unit)
        return 0;
    memcpy(stuck, tables->tab_bits + FIRST_STUCK_COIL, sizeof stuck);
    modbus_reply(context, query, length, tables);
    for (int i = 0; i < ENTRIES - FIRST_STUCK_COIL; i++)
        tables->tab_bits[FIRST_STUCK_COIL + i] |= stuck[i];
    return 0;
}

static void serve_tcp(int unit)
{
    struct sockaddr_in address;
    socklen_t size = sizeof address;
    fd_set all, ready;
    int listener, highest;

    context = modbus_new_tcp_pi("127.0.0.1", "0");
    listener = modbus_tcp_pi_listen(context, 8);
    if (listener < 0 || getsockname(listener, (struct sockaddr *)&address, &size) < 0) {
        perror("listen");
        exit(1);
    }
    printf("ready %d\n", ntohs(address.sin_port));
    fflush(stdout);
    FD_ZERO(&all);
    FD_SET(listener, &all);
    highest = listener;
    for (;;) {
        ready = all;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0)
            exit(1);
        for (int fd = 0; fd <= highest; fd++) {
            if (!FD_ISSET(fd, &ready))
                continue;
            if (fd == listener) {
                int accepted = accept(listener, NULL, NULL);
                if (accepted >= 0) {
                    FD_SET(accepted, &all);
                    highest = accepted > highest ? accepted : highest;
                }
                continue;
            }
            modbus_set_socket(context, fd);
            if (answer(unit) < 0) {
                close(fd);
                FD_CLR(fd, &all);
            }
        }
    }
}

static void serve_rtu(int unit, const char *device)
{
    context = modbus_new_rtu(device, 19200, 'N', 8, 2);
    if (context == NULL || modbus_set_slave(context, unit) < 0 || modbus_connect(context) < 0) {
        fprintf(stderr, "%s: %s\n", device, modbus_strerror(errno));
        exit(1);
    }
    printf("ready 0\n");
    fflush(stdout);
    for (;;)
        answer(unit);
}

int main(int argc, char **argv)
{
    if (argc < 3) {
        fprintf(stderr, "usage: server tcp UNIT | server rtu UNIT DEVICE\n");
        return 2;
    }
    fill_tables();
    if (strcmp(argv[1], "tcp") == 0)
        serve_tcp(atoi(argv[2]));
    else if (argc > 3)
        serve_rtu(atoi(argv[2]), argv[3]);
    return 2;
}
