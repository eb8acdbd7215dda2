#include <stdint.h>

enum state { IDLE, BROOD, SWARM = 9 };

struct hive {
    uint16_t weight;
    enum state state;
};
