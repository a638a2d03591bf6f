// An actuator must watch something.
#include <fifthwheel/failsafe.hpp>

int main() { return int(sizeof(fifthwheel::Failsafe<0>)); }
