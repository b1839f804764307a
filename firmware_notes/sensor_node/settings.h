// What to set for your tank and your parts. Each line may also be set when compiling: -DREPORT_MS=60000
#pragma once

#ifndef TANK
#define TANK "porch"  // the tank's name in rushlight.toml
#endif
#ifndef REPORT_MS
#define REPORT_MS 10000  // report_every_s in rushlight.toml, in milliseconds; 2000 or more
#endif
#ifndef BAUD
#define BAUD 115200  // `baud` of the link in rushlight.toml
#endif

// ---- Thermometers: one-wire, one probe on each pin, 4.7 kOhm from each data wire to the supply ----------
#ifndef WATER_PIN
#define WATER_PIN 4
#endif
#ifndef ROOM_PIN
#define ROOM_PIN 5
#endif
#ifndef THERMOMETER_BITS
#define THERMOMETER_BITS 12  // 9 to 12: steps of 0.5, 0.25, 0.125 or 0.0625 Celsius
#endif

// ---- pH electrode behind its amplifier -------------------------------------------------------------------
#ifndef ELECTRODE_ON_I2C
#define ELECTRODE_ON_I2C 0  // 0: the board's own converter; 1: a 16-bit converter on the I2C bus
#endif
#ifndef ELECTRODE_PIN
#define ELECTRODE_PIN A0
#endif
#ifndef REFERENCE_MV
#define REFERENCE_MV 4096.0  // what is on the board's AREF pin, from a voltage reference; not the 5 V of the USB
#endif
#ifndef ELECTRODE_ZERO_MV
#define ELECTRODE_ZERO_MV 1500.0  // the amplifier's output with its input shorted, measured (README)
#endif
#ifndef ELECTRODE_GAIN
#define ELECTRODE_GAIN 3.0  // the amplifier's output per mV of electrode, from its data sheet
#endif
#ifndef ELECTRODE_READINGS
#define ELECTRODE_READINGS 98  // in each mean, one a tick of 1.024 ms: 100 ms are whole periods of 50 and 60 Hz
#endif
#ifndef RAIL_MV
#define RAIL_MV 30.0  // so near to ground or to full scale the amplifier measures nothing: a fault
#endif

// ---- 16-bit converter on the I2C bus ---------------------------------------------------------------------
#ifndef CONVERTER_ADDRESS
#define CONVERTER_ADDRESS 0x48
#endif
#define CONVERTER_SETUP 0x01, 0xC3, 0x83  // register, two bytes: channel 0, +-4.096 V, 128 a second, one, now
#define CONVERTER_RESULT 0x00             // register of the result, high byte first
#define CONVERTER_MS 10                   // one conversion
#define CONVERTER_MV 0.125                // a count

// ---- Light sensor on the I2C bus -------------------------------------------------------------------------
#ifndef LUX_ADDRESS
#define LUX_ADDRESS 0x23
#endif
#ifndef LUX_START
#define LUX_START 0x10  // what is written to begin measuring without end: one byte, or a register and bytes
#endif
#ifndef LUX_RESULT
#define LUX_RESULT -1  // register of the 16-bit result; -1: it is read without naming one
#endif
#ifndef LUX_HIGH_BYTE_FIRST
#define LUX_HIGH_BYTE_FIRST 1
#endif
#ifndef LUX_PER_COUNT
#define LUX_PER_COUNT (1.0 / 1.2)
#endif
