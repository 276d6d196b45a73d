// SPDX-License-Identifier: GPL-2.0
/*
 * A 1-Wire bus master with simulated DS18B20 probes, for tests: every bit that the kernel's own drivers
 * (wire, w1_therm) put on the bus is answered as the data sheet of the DS18B20 says. What the probes
 * measure and what is wrong with them is written, a number for each, to
 * /sys/module/w1_simulated/parameters/{millidegrees,fault}.
 */
#include <linux/module.h>
#include <linux/w1.h>

#define PROBES 3
#define FIRST_ID 0x0316a2794a1fULL

enum { WELL, GONE, BAD_CRC, NO_CONVERSION };
static int millidegrees[PROBES] = { 25313, 25375, 21000 };
module_param_array(millidegrees, int, NULL, 0644);
static int fault[PROBES];
module_param_array(fault, int, NULL, 0644);
MODULE_PARM_DESC(fault, "0 well, 1 gone, 2 wrong check sum, 3 answers 85 degrees, as after power-up");

enum { SEARCH_ROM = 0xf0, MATCH_ROM = 0x55, SKIP_ROM = 0xcc, READ_ROM = 0x33 };
enum { CONVERT = 0x44, READ_SCRATCHPAD = 0xbe, WRITE_SCRATCHPAD = 0x4e };

static struct probe {
	u64 rom;
	u8 scratchpad[9];
	bool selected;
} probes[PROBES];

static enum { IDLE, ROM_COMMAND, SEARCHING, MATCHING, SAYS_ROM, COMMAND, SAYS_PAD, TAKES_PAD } phase;
static unsigned int position; /* bits, since the phase began */
static u32 taken;

static u8 crc8(const u8 *data, int length)
{
	u8 crc = 0;
	int bit;

	while (length--)
		for (crc ^= *data++, bit = 0; bit < 8; bit++)
			crc = crc & 1 ? crc >> 1 ^ 0x8c : crc >> 1;
	return crc;
}

static bool there(const struct probe *probe)
{
	return fault[probe - probes] != GONE;
}

static void set_temperature(struct probe *probe, int sixteenths)
{
	probe->scratchpad[0] = sixteenths & 0xff;
	probe->scratchpad[1] = sixteenths >> 8 & 0xff;
	probe->scratchpad[8] = crc8(probe->scratchpad, 8);
}

static void begin(int next)
{
	phase = next;
	position = 0;
	taken = 0;
}

static void rom_command(u8 command)
{
	struct probe *probe;

	for (probe = probes; probe < probes + PROBES; probe++)
		probe->selected = there(probe);
	switch (command) {
	case SEARCH_ROM: begin(SEARCHING); break;
	case MATCH_ROM: begin(MATCHING); break;
	case READ_ROM: begin(SAYS_ROM); break;
	case SKIP_ROM: begin(COMMAND); break;
	default: begin(IDLE); /* a search for alarms among them: none has one */
	}
}

static void command(u8 command)
{
	struct probe *probe;

	for (probe = probes; command == CONVERT && probe < probes + PROBES; probe++)
		if (probe->selected && fault[probe - probes] != NO_CONVERSION)
			set_temperature(probe, millidegrees[probe - probes] * 16 / 1000);
	begin(command == READ_SCRATCHPAD ? SAYS_PAD : command == WRITE_SCRATCHPAD ? TAKES_PAD : IDLE);
}

/* What the probes that are selected say at once: a line that anyone pulls down is low. */
static u8 said(u8 (*by)(const struct probe *))
{
	struct probe *probe;
	u8 line = 1;

	for (probe = probes; probe < probes + PROBES; probe++)
		if (probe->selected && there(probe))
			line &= by(probe);
	return line;
}

static u8 rom_bit(const struct probe *probe)
{
	return probe->rom >> (phase == SEARCHING ? position / 3 : position) & 1;
}

static u8 inverted_rom_bit(const struct probe *probe)
{
	return !rom_bit(probe);
}

static u8 pad_bit(const struct probe *probe)
{
	u8 bit = position < 72 ? probe->scratchpad[position / 8] >> position % 8 & 1 : 1;

	return position >= 64 && fault[probe - probes] == BAD_CRC ? !bit : bit;
}

static void keep_those_with(u8 bit)
{
	struct probe *probe;

	for (probe = probes; probe < probes + PROBES; probe++)
		probe->selected &= rom_bit(probe) == bit;
}

static void take_pad(void)
{
	struct probe *probe;

	for (probe = probes; probe < probes + PROBES; probe++)
		if (probe->selected) {
			probe->scratchpad[2] = taken & 0xff;
			probe->scratchpad[3] = taken >> 8 & 0xff;
			probe->scratchpad[4] = (taken >> 16 & 0x60) | 0x1f;
			probe->scratchpad[8] = crc8(probe->scratchpad, 8);
		}
}

static u8 touch_bit(void *data, u8 bit)
{
	u8 line = bit;

	switch (phase) {
	case IDLE:
		break;
	case ROM_COMMAND:
	case COMMAND:
		taken |= (u32)(bit & 1) << position;
		if (++position == 8 && phase == ROM_COMMAND)
			rom_command(taken);
		else if (position == 8)
			command(taken);
		break;
	case SEARCHING:
		if (position % 3 == 0)
			line = said(rom_bit);
		else if (position % 3 == 1)
			line = said(inverted_rom_bit);
		else
			keep_those_with(bit & 1);
		if (++position == 3 * 64)
			begin(COMMAND);
		break;
	case MATCHING:
		keep_those_with(bit & 1);
		if (++position == 64)
			begin(COMMAND);
		break;
	case SAYS_ROM:
		line = said(rom_bit);
		if (++position == 64)
			begin(COMMAND);
		break;
	case SAYS_PAD:
		line = said(pad_bit);
		position++;
		break;
	case TAKES_PAD:
		taken |= (u32)(bit & 1) << position;
		if (++position == 24) {
			take_pad();
			begin(IDLE);
		}
		break;
	}
	return line;
}

/* 0: somebody is there. */
static u8 reset_bus(void *data)
{
	struct probe *probe;
	u8 nobody = 1;

	for (probe = probes; probe < probes + PROBES; probe++)
		if (there(probe))
			nobody = 0;
	begin(ROM_COMMAND);
	return nobody;
}

static struct w1_bus_master master = { .touch_bit = touch_bit, .reset_bus = reset_bus };

static int __init w1_simulated_init(void)
{
	static const u8 power_up[8] = { 0x50, 0x05, 0x4b, 0x46, 0x7f, 0xff, 0x0c, 0x10 };
	struct probe *probe;

	for (probe = probes; probe < probes + PROBES; probe++) {
		u64 rom = 0x28 | (FIRST_ID + (probe - probes)) << 8;

		probe->rom = rom | (u64)crc8((u8 *)&rom, 7) << 56; /* little-endian machines only */
		memcpy(probe->scratchpad, power_up, 8);
		probe->scratchpad[8] = crc8(power_up, 8);
	}
	return w1_add_master_device(&master);
}

static void __exit w1_simulated_exit(void)
{
	w1_remove_master_device(&master);
}

module_init(w1_simulated_init);
module_exit(w1_simulated_exit);
MODULE_DESCRIPTION("1-Wire bus master with simulated DS18B20 probes");
MODULE_LICENSE("GPL");
