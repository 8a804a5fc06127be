/* Reads registers with a C Modbus library and prints what it got, one register a line:
 *   client PORT UNIT FUNCTION ADDRESS COUNT
 * FUNCTION is 3 or 4; 6 writes COUNT to ADDRESS. A failure is printed as "error: ...". */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv)
{
    if (argc != 6) {
        return 2;
    }
    int function = atoi(argv[3]), address = atoi(argv[4]), count = atoi(argv[5]);
    uint16_t words[MODBUS_MAX_READ_REGISTERS];
    modbus_t *client = modbus_new_tcp("127.0.0.1", atoi(argv[1]));
    if (client == NULL || modbus_set_slave(client, atoi(argv[2])) == -1 ||
        modbus_connect(client) == -1) {
        printf("error: %s\n", modbus_strerror(errno));
        return 1;
    }
    int got;
    if (function == 3) {
        got = modbus_read_registers(client, address, count, words);
    } else if (function == 4) {
        got = modbus_read_input_registers(client, address, count, words);
    } else {
        got = modbus_write_register(client, address, (uint16_t)count);
    }
    if (got == -1) {
        printf("error: %s\n", modbus_strerror(errno));
    } else {
        for (int i = 0; i < got; i++) {
            printf("%u\n", words[i]);
        }
        if (got >= 6) {
            printf("dp %.2f\n", modbus_get_float_abcd(words + 4));
        }
    }
    modbus_close(client);
    modbus_free(client);
    return 0;
}
