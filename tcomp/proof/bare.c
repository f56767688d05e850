/* Runs on an emulated processor without an operating system: every code and every case of a table, into its memory.
 *
 * The emulator writes the cases where they are read here, calls _start with the number of a table, and reads what
 * came back.
 */
${includes}

uint8_t proof_which[${cases}];
uint64_t proof_given[${cases}];
int32_t proof_case_offset[${cases}];
uint64_t proof_corrected[${cases}];
int32_t proof_lookup[65536];
int32_t proof_offset_ppt[65536];
int32_t proof_in_range[65536];

${signed_of}

${tables}

int32_t _start(uint32_t table);

int32_t _start(uint32_t table)
{
    switch (table) {
${calls}
    default:
        return -1;
    }
}
