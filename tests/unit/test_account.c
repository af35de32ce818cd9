/* SPDX-License-Identifier: MIT */
#include "check.h"

int main(void)
{
    return 0;
}
