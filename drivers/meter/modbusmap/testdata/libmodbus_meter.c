/* A meter made of libmodbus: 230.1 V, 0.873 A, 198.7 W, 50.01 Hz, 1234.5 kWh.
 *
 * usage: libmodbus_meter tcp PORT | rtu DEVICE
 */
#include <errno.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <modbus.h>

static void put(modbus_mapping_t *m, int at, float value)
{
	uint32_t bits;

	memcpy(&bits, &value, sizeof bits);
	m->tab_input_registers[at] = m->tab_registers[at] = bits >> 16;
	m->tab_input_registers[at + 1] = m->tab_registers[at + 1] = bits & 0xFFFF;
}

int main(int argc, char **argv)
{
	uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
	modbus_mapping_t *m = modbus_mapping_new(0, 0, 400, 400);
	modbus_t *link;
	int tcp, listening = -1, n;

	if (argc != 3 || m == NULL)
		return 2;
	put(m, 0, 230.1f);
	put(m, 6, 0.873f);
	put(m, 12, 198.7f);
	put(m, 70, 50.01f);
	put(m, 72, 1234.5f);
	tcp = strcmp(argv[1], "tcp") == 0;
	link = tcp ? modbus_new_tcp("127.0.0.1", atoi(argv[2])) : modbus_new_rtu(argv[2], 9600, 'N', 8, 1);
	if (link == NULL)
		return 2;
	if (tcp) {
		listening = modbus_tcp_listen(link, 1);
		if (listening < 0)
			return 1;
	} else {
		modbus_set_slave(link, 1);
		if (modbus_connect(link) < 0)
			return 1;
	}
	for (;;) {
		if (tcp && modbus_tcp_accept(link, &listening) < 0)
			return 1;
		while ((n = modbus_receive(link, query)) >= 0 || (!tcp && errno != EIO))
			if (n > 0)
				modbus_reply(link, query, n, m);
		if (!tcp)
			return 0; /* the line hung up */
		modbus_close(link);
	}
}
