// A board with the node's program on simavr, its serial port at a pseudo-terminal.
//
//   board PROGRAM.elf EVENTS LINK CLOCK UNTIL_S SPEED SKIP_S MILLIS
//
// EVENTS: lines "SECONDS WHAT VALUE" in order; WHAT is water, room, light, light_low_first, converter, electrode, hum,
// `millis` (the program's count of milliseconds), or `reset` (the button) and `hang` (the program stops in an endless loop). LINK becomes a symbolic link
// to the terminal. CLOCK is a file of 8 bytes that holds the simulated milliseconds. SPEED: so many times as
// fast as real time at most, 0 for as fast as it goes, -1 for that with nobody at the port. SKIP_S: seconds that are left out after each report, in which the
// board does nothing but sleep: the program's count of milliseconds, at the address MILLIS, is set on by so much
// instead, each time after a byte on the standard input. Prints "line SECONDS TEXT" for each line the board sent, at the end
// "ram FREE" (bytes that the stack never reached) and "cycles N".
#define _GNU_SOURCE
#include <fcntl.h>
#include <pty.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_elf.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/mman.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "parts.h"

#define PAINT 0xC5

static avr_t *avr;
static struct thermometer water, room;
static struct two_wire_part light, converter;
static struct electrode electrode;
static int terminal, collector_side;
static volatile unsigned long long *clock_ms;
static double speed;
static struct timespec begun;
static char line[1024];
static int length;
static unsigned hung_at;
static unsigned char was_there[2];

static double skipped, skip_s, left_s;  // of what is to be skipped after this report
static unsigned millis_at;
static avr_cycle_count_t skip_from = ~0ull;

static double seconds(void) { return avr->cycle / (double)avr->frequency + skipped; }

static void nap(long us) {
  struct timespec pause = {.tv_nsec = us * 1000};
  nanosleep(&pause, NULL);
}

// As fast as real time times `speed`, not faster.
static void keep_pace(void) {
  struct timespec now;
  *clock_ms = (unsigned long long)(seconds() * 1000);
  if (speed <= 0) return;
  for (;;) {
    clock_gettime(CLOCK_MONOTONIC, &now);
    double passed = now.tv_sec - begun.tv_sec + (now.tv_nsec - begun.tv_nsec) / 1e9;
    if (seconds() <= passed * speed) return;
    nap(500);
  }
}

static void asleep(avr_t *of, avr_cycle_count_t cycles) { (void)of, (void)cycles; }

// The collector reads a line before simulated time goes on, or its arrival times would be too late.
static void wait_for_reader(void) {
  int waiting = 1;
  if (speed < 0) tcflush(collector_side, TCIFLUSH);
  for (int i = 0; i < 20000 && waiting; i++) {
    if (ioctl(collector_side, FIONREAD, &waiting) || !waiting) break;
    nap(100);
  }
}

static void on_byte(avr_irq_t *irq, uint32_t value, void *param) {
  unsigned char byte = value;
  (void)irq, (void)param;
  if (write(terminal, &byte, 1) != 1) fprintf(stderr, "a byte was lost at %.3f s\n", seconds());
  if (byte == '\n') {
    line[length] = 0;
    printf("line %.3f %s\n", seconds(), line);
    fflush(stdout);
    int whole = length > 6 && line[0] == '[' && line[length - 5] == '*';
    skip_from = skip_s > 0 && whole ? avr->cycle + avr->frequency / 5 : ~0ull;
    length = 0;
    wait_for_reader();
  } else if (byte != '\r' && length < (int)sizeof line - 1) {
    line[length++] = byte;
  }
}

static void on_direction(avr_irq_t *irq, uint32_t value, void *param) {
  (void)irq, (void)param;
  unsigned port = avr->data[0x2B];  // PORTD
  thermometer_direction(&water, value >> 4 & 1, port >> 4 & 1);
  thermometer_direction(&room, value >> 5 & 1, port >> 5 & 1);
}

static void set_thermometer(struct thermometer *t, const char *value) {
  static const char *const names[] = {"works", "unplugged", "shorted", "damaged", "damaged-once", "no-supply"};
  t->fault = WORKS;
  for (int i = 1; i < 6; i++)
    if (!strcmp(value, names[i])) t->fault = i;
  t->damage = t->fault == DAMAGED || t->fault == DAMAGED_ONCE;
  if (t->fault == WORKS) t->celsius = atof(value);
  if (t->fault == NO_SUPPLY) t->ready = 0;
  thermometer_direction(t, t->master_low, 0);
}

static void set_two_wire(struct two_wire_part *p, const char *value) {
  p->answers = strcmp(value, "unplugged") != 0;
  if (p->answers) p->value = atoi(value);
}

// Between two instructions of the program, never in an interrupt: an endless loop in the place of the next one.
static int hang(void) {
  if (avr->state != cpu_Running || !avr->sreg[S_I]) return 0;
  hung_at = avr->pc;
  memcpy(was_there, avr->flash + hung_at, 2);
  memcpy(avr->flash + hung_at, "\xFF\xCF", 2);  // rjmp .-2
  return 1;
}

// After a reset simavr has forgotten the levels of its pins, and passes on changes only.
static void wires_again(void) {
  struct thermometer *both[] = {&water, &room};
  for (int i = 0; i < 2; i++) {
    both[i]->master_low = both[i]->slave_low = 0;
    avr_raise_irq(both[i]->pin, 0);
    thermometer_direction(both[i], 0, 0);
  }
}

static void set_millis(uint32_t value) { memcpy(avr->data + millis_at, &value, 4); }

// Does what the event asks; 0 where it has to be tried again.
static int happen(const char *what, const char *value) {
  if (!strcmp(what, "water")) set_thermometer(&water, value);
  else if (!strcmp(what, "room")) set_thermometer(&room, value);
  else if (!strcmp(what, "light")) set_two_wire(&light, value);
  else if (!strcmp(what, "light_low_first")) light.high_first = 0;
  else if (!strcmp(what, "converter")) set_two_wire(&converter, value);
  else if (!strcmp(what, "electrode")) electrode.millivolts = atof(value);
  else if (!strcmp(what, "hum")) electrode.hum = atof(value);
  else if (!strcmp(what, "reset")) avr_reset(avr), wires_again();
  else if (!strcmp(what, "hang")) return hang();
  else if (!strcmp(what, "millis")) set_millis(strtoul(value, NULL, 0));
  else fprintf(stderr, "%s: no such event\n", what), exit(2);
  return 1;
}

// Sets the program's clock on while it sleeps, when told that the report was taken; not past the next event.
static void skip(double next_event) {
  uint32_t now;
  char go;
  if (left_s <= 0) {
    if (read(0, &go, 1) != 1) exit(3);
    left_s = skip_s;
  }
  double most = next_event - seconds();
  uint32_t step = 1000 * (left_s < most ? left_s : most > 0 ? most : 0);
  memcpy(&now, avr->data + millis_at, 4);
  now += step;
  memcpy(avr->data + millis_at, &now, 4);
  skipped += step / 1000.0;
  left_s = step < 1000 * left_s - 1 ? left_s - step / 1000.0 : 0;
  skip_from = left_s > 1 ? avr->cycle + avr->frequency / 50 : ~0ull;  // the event comes first
  if (left_s <= 1) left_s = 0;
}

static unsigned prepare(const char *program) {
  elf_firmware_t firmware;
  memset(&firmware, 0, sizeof firmware);
  if (elf_read_firmware(program, &firmware)) fprintf(stderr, "%s: can't be read\n", program), exit(2);
  avr = avr_make_mcu_by_name("atmega328p");
  avr_init(avr);
  firmware.frequency = 16000000;
  avr_load_firmware(avr, &firmware);
  avr->frequency = 16000000;
  avr->vcc = avr->avcc = 5000;
  avr->aref = 4096;
  avr->log = LOG_ERROR;
  avr->sleep = asleep;
  unsigned uart_flags = 0;
  avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &uart_flags);
  thermometer_attach(&water, avr, 'D', 4);
  thermometer_attach(&room, avr, 'D', 5);
  two_wire_attach(&light, avr, 0x23);
  two_wire_attach(&converter, avr, 0x48);
  electrode_attach(&electrode, avr);
  avr_irq_register_notify(
      avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), IOPORT_IRQ_DIRECTION_ALL), on_direction, NULL);
  avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), on_byte, NULL);
  unsigned first = 0x100 + firmware.datasize + firmware.bsssize;
  memset(avr->data + first, PAINT, avr->ramend + 1 - first);
  return first;
}

static void open_terminal(const char *link) {
  struct termios raw;
  char name[128];
  if (openpty(&terminal, &collector_side, name, NULL, NULL)) perror("openpty"), exit(2);
  tcgetattr(collector_side, &raw);
  cfmakeraw(&raw);
  tcsetattr(collector_side, TCSANOW, &raw);
  unlink(link);
  if (symlink(name, link)) perror(link), exit(2);
}

int main(int count, char **words) {
  if (count != 9) return 2;
  FILE *events = fopen(words[2], "r");
  if (!events) perror(words[2]), exit(2);
  unsigned first = prepare(words[1]);
  int file = open(words[4], O_RDWR | O_CREAT, 0600);
  if (file < 0 || ftruncate(file, 8)) perror(words[4]), exit(2);
  clock_ms = mmap(NULL, 8, PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
  double until = atof(words[5]), at;
  speed = atof(words[6]);
  skip_s = atof(words[7]);
  millis_at = strtoul(words[8], NULL, 0) & 0xFFFF;
  open_terminal(words[3]);
  for (char go; read(0, &go, 1) == 1 && go != '\n';) {}  // begins when told to, so that a collector can be there
  clock_gettime(CLOCK_MONOTONIC, &begun);
  char what[32], value[32];
  if (fscanf(events, "%lf %31s %31s", &at, what, value) != 3) at = until;
  avr_cycle_count_t next_look = 0;
  while (seconds() < until && avr->state != cpu_Crashed) {
    avr_run(avr);
    if (avr->pc == 0) {
      if (hung_at) memcpy(avr->flash + hung_at, was_there, 2), hung_at = 0;  // the watchdog has bitten
      wires_again();
    }
    if (avr->cycle >= skip_from && avr->state == cpu_Sleeping) skip(at), next_look = 0;
    if (avr->cycle < next_look) continue;
    while (seconds() >= at && at < until && happen(what, value))
      if (fscanf(events, "%lf %31s %31s", &at, what, value) != 3) at = until;
    keep_pace();
    if (at >= until || seconds() < at) next_look = avr->cycle + avr->frequency / 1000;
  }
  unsigned free_bytes = 0;
  for (unsigned i = first, run = 0; i <= avr->ramend; i++) {
    run = avr->data[i] == PAINT ? run + 1 : 0;
    if (run > free_bytes) free_bytes = run;
  }
  printf("ram %u\ncycles %llu\n", free_bytes, (unsigned long long)avr->cycle);
  fflush(stdout);
  for (int i = 0; i < 5 && speed >= 0; i++) wait_for_reader(), nap(100000);  // what is unread goes with the terminal
  return avr->state == cpu_Crashed;
}
