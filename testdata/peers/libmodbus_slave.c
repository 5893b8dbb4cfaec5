/* A Modbus RTU slave on libmodbus that serves the map of README.md.
 * Arguments: terminal, baud, unit. */
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void fill(modbus_mapping_t *m)
{
	float value = 50.02f;
	uint32_t bits;
	int i;

	for (i = 0; i < 110; i++) {
		m->tab_registers[i] = 1000 + i;
		m->tab_input_registers[i] = 5000 + i;
	}
	for (i = 0; i < 20; i++) {
		m->tab_bits[i] = i % 3 == 0;
		m->tab_input_bits[i] = i % 2;
	}
	m->tab_registers[0] = 2301;
	m->tab_registers[1] = (uint16_t)-125;
	/* Not by modbus_set_float_abcd(): that of 3.1.6 exchanges the bytes of
	 * each register on a little-endian machine. */
	memcpy(&bits, &value, sizeof(bits));
	m->tab_registers[2] = m->tab_registers[5] = bits >> 16;
	m->tab_registers[3] = m->tab_registers[4] = bits & 0xFFFF;
	m->tab_registers[6] = 0x1234;
	m->tab_registers[7] = 0x5678;
	m->tab_registers[8] = 0x5678;
	m->tab_registers[9] = 0x1234;
}

int main(int argc, char **argv)
{
	uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];
	modbus_mapping_t *map = modbus_mapping_new(20, 20, 110, 110);
	modbus_t *bus;

	if (argc != 4) {
		fprintf(stderr, "usage: libmodbus_slave TTY BAUD UNIT\n");
		return 2;
	}
	bus = modbus_new_rtu(argv[1], atoi(argv[2]), 'E', 8, 1);
	if (!bus || !map || modbus_set_slave(bus, atoi(argv[3])) || modbus_connect(bus)) {
		fprintf(stderr, "%s: %s\n", argv[1], modbus_strerror(errno));
		return 1;
	}
	fill(map);
	puts("ready");
	fflush(stdout);
	for (;;) {
		int n = modbus_receive(bus, query);

		if (n > 0)
			modbus_reply(bus, query, n, map);
		else if (n < 0 && (errno == EIO || errno == EBADF || errno == ECONNRESET))
			return 0; /* the other end of the line is gone */
	}
}
